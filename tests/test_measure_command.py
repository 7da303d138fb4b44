"""Month after month on the command line: the same bytes as measured at once, killed and stopped as people do it."""

import os
import shutil
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from pipeline.catalogue import read_measures
from pipeline.cli import main
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.store import fact, forget_fact, open_store
from synthetic_data.cohort import simulate
from synthetic_data.extract import write_extract

Capsys = pytest.CaptureFixture[str]
ROOT = Path(__file__).parents[1]
MONTH = "2026-01"
posix = pytest.mark.skipif(os.name != "posix", reason="needs signals")


@pytest.fixture(scope="module")
def months(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two extracts of one hospital: the first has the stays admitted until the turn of the year, the second all."""
    folder = tmp_path_factory.mktemp("months")
    cohort = simulate(stays=90)
    write_extract(cohort, folder / "second", dirty=False)
    first = cohort.tables["stays"]["admitted_at"].sort()[60]
    stays = cohort.tables["stays"].filter(cohort.tables["stays"]["admitted_at"] < first)["stay_id"]
    for name, rows in cohort.tables.items():
        cohort.tables[name] = rows.filter(rows["stay_id"].is_in(stays.implode()))
    write_extract(cohort, folder / "first", dirty=False)
    return folder / "first", folder / "second"


def written(store: Path, out: Path) -> dict[str, bytes]:
    """Every file of a report and an export of the store, by name."""
    assert main(["report", "--store", str(store), "--month", MONTH, "--out", str(out)]) == 0
    assert main(["export", "--store", str(store), "--out", str(out), "--format", "csv"]) == 0
    return {path.name: path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}


def test_measured_month_by_month_reports_and_exports_have_the_same_bytes_as_measured_at_once(
    tmp_path: Path, months: tuple[Path, Path]
) -> None:
    store, copy = tmp_path / "s.duckdb", tmp_path / "copy.duckdb"
    for extract in months:
        assert main(["load", str(extract), "--store", str(store), "--replace"]) == 0
        with open_store(store) as connection:
            assert measure_store(connection, read_policy())
    by_month = written(store, tmp_path / "by-month")
    shutil.copy(store, copy)
    with open_store(copy) as connection:
        for name in ("measured_state", "measured_with"):
            forget_fact(connection, name)
    at_once = written(copy, tmp_path / "at-once")
    assert by_month.keys() == at_once.keys()
    assert [name for name in by_month if by_month[name] != at_once[name]] == []
    assert len(by_month) > 40


STOPPED = """
    import os, sys
    from dataclasses import replace
    import pipeline.measure
    from pipeline import memory
    from pipeline.cli import main

    store, out, sent, after = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    memory._shares = replace(memory.shares(), readings_in_a_batch=150)
    usual, left = pipeline.measure.run_measure, [after]

    def run_measure(*arguments):
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), sent)
        usual(*arguments)

    pipeline.measure.run_measure = run_measure
    sys.exit(main(["export", "--store", store, "--out", out, "--format", "csv"]))
"""


def export_stopped(store: Path, out: Path, sent: signal.Signals, after: int) -> tuple[int, str]:
    """Exports, measuring in small batches; gets the signal when it has run so many measures."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(STOPPED), str(store), str(out), str(int(sent)), str(after)],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    return done.returncode, done.stderr


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory, months: tuple[Path, Path]) -> Path:
    """A store that was never measured."""
    store = tmp_path_factory.mktemp("loaded") / "s.duckdb"
    assert main(["load", str(months[0]), "--store", str(store)]) == 0
    return store


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory, loaded: Path) -> dict[str, bytes]:
    """Every file of the export of that store, measured without a stop."""
    folder = tmp_path_factory.mktemp("usual")
    store = shutil.copy(loaded, folder)
    assert main(["export", "--store", str(store), "--out", str(folder / "out"), "--format", "csv"]) == 0
    files = {path.name: path.read_bytes() for path in (folder / "out").iterdir()}
    assert len(files) > 40
    return files


@posix
@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGINT])
def test_measuring_that_is_killed_or_stopped_goes_on_where_it_was_and_ends_as_if_it_had_not_been(
    tmp_path: Path, loaded: Path, exported: dict[str, bytes], sent: signal.Signals
) -> None:
    store, reached, measures = Path(shutil.copy(loaded, tmp_path)), [0], len(read_measures())
    # In the second batch, and when it is killed in the second of what is left as well.
    for _ in range(2 if sent == signal.SIGKILL else 1):
        code, errors = export_stopped(store, tmp_path / "out", sent, after=measures + 10)
        if sent == signal.SIGKILL:
            assert code == -sent
        else:
            assert code == 2
            assert "stopped by you. What was measured so far is kept: the same command goes on from there." in errors
            assert "Traceback" not in errors
        with open_store(store) as connection:
            reached.append(int(fact(connection, "measured_up_to") or 0))
            assert fact(connection, "measured_state") is None
        assert [path.name for path in tmp_path.iterdir() if ".tmp" in path.name] == []
    assert len(set(reached)) == len(reached)
    assert reached == sorted(reached)
    assert main(["export", "--store", str(store), "--out", str(tmp_path / "out"), "--format", "csv"]) == 0
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == exported
