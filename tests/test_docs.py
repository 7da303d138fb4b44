"""What the documents say is so: commands run, tables and columns exist, pinned versions are the installed ones."""

import re
import shlex
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.vocabulary import TABLES
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract
from tests.documented import documented, tables_in_markdown
from tests.pinned import pinned

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
_BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
COMMANDS = [line.strip() for block in _BLOCKS for line in block.splitlines() if line.strip()]


def test_the_readme_has_the_two_commands_of_a_fresh_machine() -> None:
    assert COMMANDS[:2] == ["pip install uv && uv run bandaudit demo", "uv run pytest"]


def test_every_bandaudit_command_of_the_readme_runs_in_the_order_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    cohort = simulate(stays=150)
    write_extract(cohort, tmp_path / "extract-2026-06", dirty=False)
    write_extract(cohort, tmp_path / "extract-2026-07", dirty=False)
    calls = [shlex.split(command.split("uv run bandaudit ")[1]) for command in COMMANDS if "bandaudit" in command]
    assert [call[0] for call in calls] == ["demo", "load", "load", "report", "export", "measures"]
    for call in calls:
        assert main(call) == 0, capsys.readouterr().err
    assert list(tmp_path.glob("bandaudit-demo/report/*.html"))
    assert list(tmp_path.glob("audit-pages/*2026-06.html"))


def test_the_readme_lists_every_table_and_column_that_comes_in() -> None:
    for table in TABLES.values():
        [row] = re.findall(rf"^\| `{table.name}` \| (.*) \|$", README, re.MULTILINE)
        listed = re.findall(r"`(\w+)(\*?)`", re.sub(r"\([^)]*\)", "", row))
        assert listed == [(column.name, "*" if column.required else "") for column in table.columns]


def test_the_readme_lists_every_device_and_flag() -> None:
    for code in TABLES["devices"].column("device").codes + TABLES["flags"].column("flag").codes:
        assert f"`{code}`" in README


def test_developers_md_lists_the_tables_and_columns_of_the_store() -> None:
    assert documented() == tables_in_markdown(), "run: uv run python -m tests.documented --write"


def test_the_installed_versions_are_the_pinned_ones() -> None:
    found = {}
    for name in pinned():
        try:
            found[name] = version(name)
        except PackageNotFoundError:  # pinned for another system or Python
            continue
    assert "polars" in found
    assert found == {name: pin for name, pin in pinned().items() if name in found}
