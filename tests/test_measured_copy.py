"""A store measured by another policy: on a copy that its owner alone may enter, and that is always gone afterwards."""

import os
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from pipeline import measured_copy
from pipeline.errors import StoreError
from pipeline.measure import measure_store
from pipeline.measured_copy import is_measured_by, measured_by
from pipeline.policy import read_policy
from pipeline.store import open_store, read_store, set_fact
from tests.store_files import fingerprint_of, write_measured_store

POLICY = read_policy()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return write_measured_store(tmp_path / "s.duckdb")


@pytest.fixture
def other(tmp_path: Path) -> Path:
    file = tmp_path / "ours.toml"
    file.write_text("[parameters]\nhigh_fio2_above = 0.35\n", encoding="utf-8")
    return file


def alone(store: Path) -> bool:
    """Whether nothing but the store, and the policy, stands in its folder."""
    return {path.name for path in store.parent.iterdir()} <= {"s.duckdb", "ours.toml"}


def test_a_store_measured_by_the_policy_is_read_itself(store: Path) -> None:
    before = fingerprint_of(store)
    with measured_by(store, POLICY) as measured:
        assert not measured.is_copy
        assert alone(store)
        with pytest.raises(duckdb.Error):
            measured.connection.execute("delete from measure_rows")
    assert fingerprint_of(store) == before


def test_a_store_is_up_to_date_as_measuring_it_sees_it(store: Path, other: Path) -> None:
    """Whenever `measure_store` would do nothing, and only then."""
    with open_store(store) as connection:
        assert is_measured_by(connection, POLICY)
        assert not measure_store(connection, POLICY)
        assert not is_measured_by(connection, read_policy(other))
        set_fact(connection, "data_version", "2")
        assert not is_measured_by(connection, POLICY)
        assert measure_store(connection, POLICY)
        assert is_measured_by(connection, POLICY)


def test_other_measures_matter_only_where_measures_are_read(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measured_copy, "fingerprint", lambda _: "another")
    with read_store(store) as connection:
        assert not is_measured_by(connection, POLICY)
        assert is_measured_by(connection, POLICY, any_measures=True)


def test_another_policy_is_measured_on_a_copy_for_its_owner_only(store: Path, other: Path) -> None:
    before, told = fingerprint_of(store), []
    with measured_by(store, read_policy(other), told.append) as measured:
        assert measured.is_copy
        [(value,)] = measured.connection.execute(
            "select value from policy_values where name = 'high_fio2_above'"
        ).fetchall()
        assert value == 0.35
        [folder] = [path for path in store.parent.iterdir() if path.is_dir()]
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700 or os.name != "posix"
        with read_store(store) as connection:
            [(kept,)] = connection.execute("select value from policy_values where name = 'high_fio2_above'").fetchall()
        assert kept == POLICY.high_fio2_above
    assert told[0] == "copying the store"
    assert fingerprint_of(store) == before
    assert alone(store)


@pytest.mark.parametrize(
    ("step", "error"), [("copying the store", KeyboardInterrupt), ("measuring the stays", ValueError)]
)
def test_the_copy_is_gone_whatever_happens(store: Path, other: Path, step: str, error: type[BaseException]) -> None:
    before = fingerprint_of(store)

    def tell(told: str) -> None:
        if told == step:
            assert not alone(store)
            raise error

    with pytest.raises(error), measured_by(store, read_policy(other), tell):
        pass
    assert alone(store)
    assert fingerprint_of(store) == before


@pytest.fixture
def unmeasured(monkeypatch: pytest.MonkeyPatch) -> None:
    """The copy is made and not measured: quicker, where only the copy is looked at."""
    monkeypatch.setattr(measured_copy, "measure_store", lambda *_: True)


@pytest.mark.usefixtures("unmeasured")
def test_the_copy_is_gone_when_what_is_done_with_it_fails(store: Path, other: Path) -> None:
    with pytest.raises(ValueError, match="mine"), measured_by(store, read_policy(other)):
        raise ValueError("mine")
    assert alone(store)


def test_a_copy_that_does_not_fit_is_told_and_gone(store: Path, other: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(source: Path, target: Path) -> None:
        Path(target).write_bytes(b"half of it")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    told = r"No space left on device\. It was not changed, and the copy is gone"
    with pytest.raises(StoreError, match=told), measured_by(store, read_policy(other)):
        pass
    assert alone(store)


@pytest.mark.usefixtures("unmeasured")
def test_rows_in_the_log_of_a_killed_program_are_in_the_copy(store: Path, other: Path) -> None:
    code = """
import duckdb, os, sys
store = duckdb.connect(sys.argv[1])
store.execute("update stays set site = 'in the log'")
os.kill(os.getpid(), 9)
"""
    subprocess.run([sys.executable, "-c", code, str(store)], check=False)
    with measured_by(store, read_policy(other)) as measured:
        found = measured.connection.execute("select distinct site from stays").fetchall()
    assert found == [("in the log",)]


@pytest.mark.skipif(os.name != "posix", reason="sends a signal")
def test_ctrl_c_leaves_the_store_as_it_was_and_no_copy(store: Path, other: Path) -> None:
    """Pressed while the copy is measured."""
    before, step = fingerprint_of(store), "adding up over all stays"
    code = """
import sys, time
from pipeline import cli
def tell(step):
    if step == sys.argv[4]:
        print(step, flush=True)
        time.sleep(20)
cli._progress = lambda: tell
sys.exit(cli.main(["try-policy", sys.argv[2], "--store", sys.argv[1], "--month", sys.argv[3]]))
"""
    command = [sys.executable, "-c", code, str(store), str(other), "2026-01", step]
    program = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert program.stdout is not None
    assert program.stdout.readline() == f"{step}\n"
    time.sleep(0.1)
    program.send_signal(signal.SIGINT)
    _, told = program.communicate(timeout=20)
    assert (program.returncode, told) == (
        2,
        "\nbandaudit: stopped by you. The store is as it was before this command.\n",
    )
    assert alone(store)
    assert fingerprint_of(store) == before
