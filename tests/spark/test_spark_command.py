"""What the command says when something is missing: in words, with the next step, and exit code 2."""

import importlib.util
import os
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.spark.session import refuse_without_spark


def told(capsys: pytest.CaptureFixture[str], *call: str) -> str:
    assert main(["spark", "spread", "--out", "measured", *call]) == 2
    return capsys.readouterr().err


def test_without_the_packages_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    words = told(capsys)
    assert 'pip install "bandaudit[spark]"' in words
    assert "missing: pyspark, sqlglot" in words


@pytest.mark.parametrize("home", [None, "nowhere"])
def test_without_java_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, home: str | None
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: name)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("JAVA_HOME", raising=False)
    if home:
        monkeypatch.setenv("JAVA_HOME", str(tmp_path / home))
    words = told(capsys)
    assert "Install a Java runtime, version 17 or later" in words
    assert ("JAVA_HOME" in words) == bool(home)


def test_java_is_taken_from_where_java_home_points(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: name)
    java = tmp_path / "bin" / "java"
    java.parent.mkdir()
    java.touch(mode=0o700)
    monkeypatch.setenv("JAVA_HOME", str(tmp_path))
    monkeypatch.setenv("PATH", os.devnull)
    refuse_without_spark()


@pytest.mark.parametrize("setting", ["spark.executor.memory", "executor.memory=8g", "=8g", ""])
def test_a_setting_that_is_none_is_refused(capsys: pytest.CaptureFixture[str], setting: str) -> None:
    assert "for example --set spark.executor.memory=8g" in told(capsys, "--set", setting)


def test_a_bucket_holds_at_least_one_reading(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--bucket-readings" in told(capsys, "--bucket-readings", "0")


def test_the_three_commands_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = capsys.readouterr().out
    assert all(f"    {command} " in listed for command in ("spread", "spark", "gather"))
