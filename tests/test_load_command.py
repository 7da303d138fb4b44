"""`bandaudit load` as a person meets it: wrong arguments, a store in use, Ctrl-C, a killed load, a full disk."""

import os
import random
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.store import open_store
from tests.intake.extracts import ORDINARY, load, loaded, query, refused, row, stored, write_extract

Capsys = pytest.CaptureFixture[str]
ROOT = Path(__file__).parents[1]


def test_a_load_tells_what_became_of_every_row_and_what_to_do_next(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    rows = [row("readings"), row("readings"), row("readings", spo2_percent="101")]
    outcome = loaded(capsys, write_extract(tmp_path / "extract", readings=rows), store)

    assert [line.split() for line in outcome.out.splitlines() if line.startswith("readings.csv")] == [
        ["readings.csv", "3", "=", "1", "+", "0", "+", "1", "+", "1"]
    ]
    assert "1 x the value lies outside the accepted range: 50 to 100 (row 4)" in outcome.out
    assert "The store is up to date." in outcome.out
    assert "Zone: Europe/London" in outcome.out
    assert f"Next: bandaudit report --store {store} --out FOLDER" in outcome.out
    assert outcome.err == ""


def test_a_folder_that_is_not_there_or_no_folder_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    (tmp_path / "file").write_text("not a folder")
    for extract in (tmp_path / "nowhere", tmp_path / "file", tmp_path / "file" / "below"):
        says = ["There is no folder", str(extract), "readings.csv", "load again"]
        refused(capsys, extract, tmp_path / "s.duckdb", says=says)
    assert not (tmp_path / "s.duckdb").exists()


def test_a_folder_without_the_required_tables_is_refused_naming_them_and_what_is_there(
    tmp_path: Path, capsys: Capsys
) -> None:
    extract = write_extract(tmp_path / "extract", wards=[row("wards")])
    (extract / "readings.csv").rename(extract / "Readings.csv")
    (extract / "targets.csv").unlink()
    refused(
        capsys, extract, tmp_path / "s.duckdb",
        says=["has no file for: readings, targets", "readings.csv, readings-2026-01.csv.gz", "Readings.csv", "rename"],
    )  # fmt: skip


def test_an_extract_without_a_usable_row_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    header = ",".join(ORDINARY["stays"])
    for name, stays in {"empty": header, "bad": [row("stays", admitted_at="05/01/2026 08:00")]}.items():
        extract = write_extract(tmp_path / name, stays=stays)
        says = ["Not one row of the extract can be used", "YYYY-MM-DD HH:MM", "nothing was stored"]
        refused(capsys, extract, tmp_path / "s.duckdb", says=says)
    assert not (tmp_path / "s.duckdb").exists()


@pytest.mark.parametrize(
    "zone",
    ["London", "Europe", "europe/Atlantis", "", "../UTC", "/etc/localtime", "posix/Europe/London", "Factory", "+1"],
)
def test_an_unknown_zone_is_refused(tmp_path: Path, capsys: Capsys, zone: str) -> None:
    extract = write_extract(tmp_path / "extract")
    says = [f"'{zone}' is not a known time zone", "--timezone Europe/London", "nothing was stored"]
    refused(capsys, extract, tmp_path / "s.duckdb", "--timezone", zone, says=says)


def test_another_zone_than_that_of_the_store_is_refused_and_the_same_is_not(tmp_path: Path, capsys: Capsys) -> None:
    store, extract = tmp_path / "s.duckdb", write_extract(tmp_path / "extract")
    loaded(capsys, extract, store, "--timezone", "Asia/Kathmandu")

    says = ["Asia/Kathmandu", "--timezone Europe/London", "One store has one zone", "Leave --timezone out"]
    refused(capsys, extract, store, "--timezone", "Europe/London", says=says)
    loaded(capsys, extract, store, "--timezone", "Asia/Kathmandu")
    # Without an option the store's own zone holds, not the usual one.
    outcome = loaded(capsys, extract, store)
    assert "nothing has changed" in outcome.out
    assert "Zone: Asia/Kathmandu" in outcome.out


def test_a_store_in_a_missing_folder_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    refused(capsys, extract, tmp_path / "no" / "s.duckdb", says=["folder", str(tmp_path / "no"), "does not exist"])
    (tmp_path / "file").write_text("")
    refused(capsys, extract, tmp_path / "file" / "s.duckdb", says=["folder", "does not exist", "another --store"])


def test_a_file_that_is_no_store_is_refused_and_left_as_it_is(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (tmp_path / "text.duckdb").write_text("something else entirely\n" * 1_000)
    (tmp_path / "nothing.duckdb").write_bytes(b"")
    (tmp_path / "folder.duckdb").mkdir()
    for name in ("text", "nothing", "folder"):
        store = tmp_path / f"{name}.duckdb"
        refused(capsys, extract, store, says=[str(store), "cannot be opened as a store", "--store"])
    assert (tmp_path / "folder.duckdb").is_dir()


def test_a_database_of_something_else_is_refused_and_left_as_it_is(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    for name, sql in {"other": "create table t (x int)", "alike": "create table store_facts (x int)"}.items():
        with duckdb.connect(str(tmp_path / f"{name}.duckdb")) as connection:
            connection.execute(sql)
        refused(capsys, extract, tmp_path / f"{name}.duckdb", says=["is not a store of this tool", "a new store"])


def test_a_store_of_another_version_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    store, extract = tmp_path / "s.duckdb", write_extract(tmp_path / "extract")
    loaded(capsys, extract, store)
    with duckdb.connect(str(store)) as connection:
        connection.execute("update store_facts set value = '99' where name = 'schema_version'")
    refused(capsys, extract, store, says=["has store version 99", "Load the extracts into a new store"])


def test_a_store_whose_bytes_are_damaged_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    store, extract = tmp_path / "s.duckdb", write_extract(tmp_path / "extract")
    loaded(capsys, extract, store)
    whole = store.read_bytes()
    store.write_bytes(whole[: len(whole) // 2])
    refused(capsys, extract, store, says=[str(store), "damaged"])
    # Past the three headers of 4 kB, every block carries a checksum.
    changed = bytearray(whole)
    for place in range(12_288, len(changed), 997):
        changed[place] ^= 0xFF
    store.write_bytes(bytes(changed))
    refused(capsys, extract, store, says=[str(store), "damaged"])


@contextmanager
def python(code: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """A second Python that runs `code`."""
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code), *arguments],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


HOLD_THE_STORE = """
    import sys
    from pathlib import Path
    from pipeline.store import open_store
    with open_store(Path(sys.argv[1]), create=True):
        print("open", flush=True)
        sys.stdin.read()
"""


def test_a_store_in_use_by_another_program_is_told_clearly_and_waits_for_nobody(tmp_path: Path, capsys: Capsys) -> None:
    # A folder whose name has "lock" in it, since that is also a word of the database's own message.
    (tmp_path / "clock").mkdir()
    store, extract = tmp_path / "clock" / "s.duckdb", write_extract(tmp_path / "extract")
    with python(HOLD_THE_STORE, str(store)) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        refused(capsys, extract, store, says=["is in use by another program", "Nothing was changed", "run the command"])
    loaded(capsys, extract, store)

    (tmp_path / "clock" / "text.duckdb").write_text("no store")
    message = refused(capsys, extract, tmp_path / "clock" / "text.duckdb", says=["cannot be opened as a store"])
    assert "in use" not in message


LOAD_WHEN_READY = """
    import sys
    import pipeline.intake.load
    from pipeline.cli import main
    print("ready", flush=True)
    sys.exit(main(["load", *sys.argv[1:]]))
"""


@pytest.fixture(scope="module")
def months(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """An extract, and a later one that corrects one stay and adds another, with rows enough to take a while."""
    folder = tmp_path_factory.mktemp("months")
    start = datetime(2026, 1, 5, 10)
    for name, stays in (("first", ["ST-0001"]), ("second", ["ST-0001", "ST-0002"])):
        extract = write_extract(
            folder / name,
            stays=[row("stays", stay_id=stay, discharged_at="") for stay in stays],
            targets=[row("targets", stay_id=stay) for stay in stays],
        )
        (extract / "readings.csv").unlink()
        count = 25_000
        pl.DataFrame(
            {
                "stay_id": [stay for stay in stays for _ in range(count)],
                "taken_at": [start + timedelta(seconds=n) for _ in stays for n in range(count)],
                "spo2_percent": [90 + (n + len(stays)) % 8 for _ in stays for n in range(count)],
            }
        ).write_parquet(extract / "readings.parquet")
    return folder / "first", folder / "second"


def _contents(store: Path) -> dict[str, list[tuple[object, ...]]]:
    """For each table the number of rows and a checksum of all of them, the wall-clock time of loads left out."""
    with duckdb.connect(str(store), read_only=True) as connection:
        names = [name for (name,) in connection.execute("select table_name from duckdb_tables()").fetchall()]
        columns = {name: "* exclude (loaded_at)" if name == "load_ledger" else "*" for name in names}
        return {
            name: connection.execute(
                f'select count(*), sum(hash(entry)) from (select {columns[name]} from "{name}") as entry'
            ).fetchall()
            for name in names
        }


def _rows_of(store: Path, table: str) -> int:
    [(number,)] = query(store, f"select count(*) from {table}")
    return int(str(number))


def _run_until(store: Path, extract: Path, delay: float | None, sent: signal.Signals, *options: str) -> tuple[int, str]:
    with python(LOAD_WHEN_READY, str(extract), "--store", str(store), *options) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline() == "ready\n"
        if delay is not None:
            time.sleep(delay)
            process.send_signal(sent)
        _, errors = process.communicate()
        return process.returncode, errors


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_a_load_killed_at_any_moment_leaves_the_store_as_it_was_or_complete(
    tmp_path: Path, months: tuple[Path, Path]
) -> None:
    first, second = months
    base, complete = tmp_path / "base.duckdb", tmp_path / "complete.duckdb"
    assert main(["load", str(first), "--store", str(base)]) == 0
    complete.write_bytes(base.read_bytes())
    began = time.perf_counter()
    assert main(["load", str(second), "--store", str(complete), "--replace"]) == 0
    whole = time.perf_counter() - began
    before, after = _contents(base), _contents(complete)
    assert before != after

    chance, ended = random.Random(26), []
    for n in range(8):
        store = tmp_path / f"killed-{n}.duckdb"
        store.write_bytes(base.read_bytes())
        delay = whole * (n + chance.random()) / 6
        code, _ = _run_until(store, second, delay, signal.SIGKILL, "--replace")
        found = _contents(store)
        assert found in (before, after)
        ended.append((code, found == after))
        # What was left beside the store harms nothing: the load goes through afterwards.
        assert main(["load", str(second), "--store", str(store), "--replace"]) == 0
        assert _contents(store) == after
    assert (-signal.SIGKILL, False) in ended


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_a_first_load_that_is_killed_leaves_no_store_or_an_empty_one_that_can_be_filled(
    tmp_path: Path, months: tuple[Path, Path]
) -> None:
    first, _ = months
    for n, delay in enumerate((0.01, 0.1, 0.25)):
        store = tmp_path / f"killed-{n}.duckdb"
        code, _ = _run_until(store, first, delay, signal.SIGKILL)
        if code == -signal.SIGKILL and store.exists():
            assert _rows_of(store, "readings") == 25_000 * _rows_of(store, "stays") in (0, 25_000)
        assert main(["load", str(first), "--store", str(store)]) == 0
        assert _rows_of(store, "readings") == 25_000


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_ctrl_c_at_any_moment_is_a_plain_message_and_leaves_the_store_as_it_was(
    tmp_path: Path, months: tuple[Path, Path]
) -> None:
    _, second = months
    stopped = 0
    for n, delay in enumerate((0.02, 0.08, 0.15, 0.25)):
        store = tmp_path / f"stopped-{n}.duckdb"
        code, errors = _run_until(store, second, delay, signal.SIGINT)
        assert "Traceback" not in errors
        if code == 2:
            stopped += 1
            assert "stopped by you. The store is as it was before this command." in errors
            assert list(tmp_path.glob(f"{store.name}*")) == []
        else:
            # Done before, or while Python was about to end.
            assert code in (0, -signal.SIGINT)
            assert _rows_of(store, "readings") == 50_000
    assert stopped


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
@pytest.mark.parametrize("made_of_it", [None, RuntimeError("Query interrupted"), TypeError("is not a data type")])
def test_ctrl_c_is_understood_whatever_a_library_makes_of_it(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch, made_of_it: Exception | None
) -> None:
    def interrupted(*_: object) -> None:
        try:
            os.kill(os.getpid(), signal.SIGINT)
        except KeyboardInterrupt:
            if made_of_it is None:
                raise
            raise made_of_it from None

    monkeypatch.setattr("pipeline.intake.load.settle", interrupted)
    outcome = load(capsys, write_extract(tmp_path / "extract"), tmp_path / "s.duckdb")

    assert outcome.code == 2
    assert "stopped by you. The store is as it was before this command." in outcome.err
    assert not (tmp_path / "s.duckdb").exists()


def test_ctrl_c_after_the_rows_are_stored_does_not_deny_that_they_are(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    @contextmanager
    def interrupted_at_the_end(path: Path, *, create: bool) -> Iterator[duckdb.DuckDBPyConnection]:
        with open_store(path, create=create) as connection:
            yield connection
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.store.open_store", interrupted_at_the_end)
    outcome = load(capsys, write_extract(tmp_path / "extract"), tmp_path / "s.duckdb")

    assert outcome.code == 0
    assert "The store is up to date." in outcome.out
    assert len(stored(tmp_path / "s.duckdb", "readings")) == 1


LOAD_ON_A_FULL_DISK = """
    import resource, sys
    from pathlib import Path
    import pipeline.intake.load
    from pipeline.cli import main
    allowed = Path(sys.argv[3]).stat().st_size + 20_000
    resource.setrlimit(resource.RLIMIT_FSIZE, (allowed, allowed))
    sys.exit(main(["load", *sys.argv[1:]]))
"""


@pytest.mark.skipif(os.name != "posix", reason="needs limits on the size of files")
def test_a_full_disk_is_told_and_leaves_the_store_as_it_was(tmp_path: Path, months: tuple[Path, Path]) -> None:
    # A limit on the size of files has the same end as a disk without room: a write that fails half way.
    first, second = months
    store = tmp_path / "s.duckdb"
    assert main(["load", str(first), "--store", str(store)]) == 0
    before = _contents(store)
    with python(LOAD_ON_A_FULL_DISK, str(second), "--store", str(store), "--replace") as process:
        _, errors = process.communicate()

    assert process.returncode == 2, errors
    assert "the disk is full" in errors
    assert "Traceback" not in errors
    assert _contents(store) == before
    assert main(["load", str(second), "--store", str(store), "--replace"]) == 0
