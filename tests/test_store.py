"""The store file: who may read it, what is left when something fails, and one transaction being all or nothing."""

import os
import shutil
import signal
import stat
from pathlib import Path
from types import SimpleNamespace

import duckdb
import pytest

from pipeline.errors import StoreError
from pipeline.store import SCHEMA_VERSION, fact, open_store, owner_only, set_fact, sql_stems, transaction
from tests.intake.extracts import load, loaded, query, row, write_extract

Capsys = pytest.CaptureFixture[str]
posix = pytest.mark.skipif(os.name != "posix", reason="needs file permissions")


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@posix
@pytest.mark.parametrize("umask", [0o022, 0o000])
def test_the_store_and_all_that_is_written_beside_it_is_for_its_owner_only(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch, umask: int
) -> None:
    store, seen = tmp_path / "data" / "s.duckdb", dict[str, int]()
    store.parent.mkdir()

    def look(*_: object) -> None:
        seen.update({path.name: _mode(path) for path in store.parent.rglob("*")})

    def spilling_transaction(connection: duckdb.DuckDBPyConnection) -> object:
        # Rows that do not fit into memory go into a folder beside the store; the log holds rows just stored.
        connection.execute("set memory_limit = '60MB'")
        connection.execute(
            "create temp table large as select range as n, hash(range)::varchar as t from range(2000000)"
        )
        look()
        connection.execute("drop table large")
        connection.execute("set memory_limit = '2GB'")
        return transaction(connection)

    monkeypatch.setattr("pipeline.intake.load.transaction", spilling_transaction)
    monkeypatch.setattr("pipeline.intake.load.store_rows", _followed_by(look, "pipeline.intake.load.store_rows"))
    previous = os.umask(umask)
    try:
        loaded(capsys, write_extract(tmp_path / "extract"), store)
        assert os.umask(umask) == umask
    finally:
        os.umask(previous)

    look()
    assert {name for name, mode in seen.items() if mode & 0o077} == set()
    assert _mode(store) == 0o600
    assert any(name.endswith(".tmp") for name in seen)
    assert [path.name for path in store.parent.iterdir()] == ["s.duckdb"]


def _followed_by(look: object, name: str) -> object:
    import pipeline.intake.load

    original = getattr(pipeline.intake.load, name.rsplit(".", 1)[1])

    def both(connection: duckdb.DuckDBPyConnection, *arguments: object) -> None:
        original(connection, *arguments)
        # A commit inside writes the log; what follows is a transaction of its own.
        connection.commit()
        look()  # type: ignore[operator]
        connection.begin()

    return both


@posix
def test_the_mode_of_a_store_that_is_already_there_is_left_alone(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "first"), store)
    store.chmod(0o640)
    loaded(capsys, write_extract(tmp_path / "second", wards=[row("wards")]), store)
    assert _mode(store) == 0o640


def test_a_new_store_has_every_table_and_is_empty(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb", create=True) as connection:
        assert fact(connection, "schema_version") == SCHEMA_VERSION
        assert fact(connection, "no such fact") is None
        for table in sql_stems("tables"):
            rows = connection.execute(f"select count(*) from {table}").fetchall()
            assert rows == [(2 if table == "store_facts" else 0,)]


def test_a_fact_is_written_over_the_one_before(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.duckdb", create=True) as connection:
        set_fact(connection, "zone", "UTC")
        set_fact(connection, "zone", "Asia/Kathmandu")
        assert connection.execute("select value from store_facts where name = 'zone'").fetchall() == [
            ("Asia/Kathmandu",)
        ]


def test_a_store_that_is_not_there_is_not_made_unless_asked(tmp_path: Path) -> None:
    with (
        pytest.raises(StoreError, match=r"There is no store at .*bandaudit load EXTRACT --store"),
        open_store(tmp_path / "s.duckdb"),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_store_made_for_something_that_fails_is_taken_away_and_an_old_one_is_not(tmp_path: Path) -> None:
    store = tmp_path / "s.duckdb"
    with pytest.raises(ZeroDivisionError), open_store(store, create=True):
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []
    with open_store(store, create=True):
        pass
    with pytest.raises(ZeroDivisionError), open_store(store, create=True):
        raise ZeroDivisionError
    assert [path.name for path in tmp_path.iterdir()] == ["s.duckdb"]


def test_a_store_that_another_program_made_meanwhile_is_kept(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "s.duckdb"

    def made_by_another(unfinished: Path, path: Path) -> None:
        shutil.copy(unfinished, path)
        raise FileExistsError

    monkeypatch.setattr("os.link", made_by_another)
    bad = write_extract(tmp_path / "extract", readings="")
    assert load(capsys, bad, store).code == 2
    assert query(store, "select count(*) from stays") == [(0,)]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["extract", "s.duckdb"]


def test_a_disk_that_knows_no_links_is_no_obstacle(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr("os.link", unknown)
    loaded(capsys, write_extract(tmp_path / "extract"), tmp_path / "s.duckdb")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["extract", "s.duckdb"]


def test_a_transaction_is_all_or_nothing(tmp_path: Path) -> None:
    def fail_half_way(connection: duckdb.DuckDBPyConnection) -> None:
        with transaction(connection):
            set_fact(connection, "zone", "UTC")
            raise ZeroDivisionError

    with open_store(tmp_path / "s.duckdb", create=True) as connection:
        with pytest.raises(ZeroDivisionError):
            fail_half_way(connection)
        assert fact(connection, "zone") is None
        with transaction(connection):
            set_fact(connection, "zone", "UTC")
        assert fact(connection, "zone") == "UTC"


@posix
def test_ctrl_c_while_a_transaction_ends_does_not_tear_it() -> None:
    done = []

    def commit() -> None:
        os.kill(os.getpid(), signal.SIGINT)
        done.append("committed")

    connection = SimpleNamespace(begin=lambda: None, commit=commit, rollback=lambda: done.append("rolled back"))
    before = signal.getsignal(signal.SIGINT)
    with transaction(connection):  # type: ignore[arg-type]
        pass
    assert done == ["committed"]
    assert signal.getsignal(signal.SIGINT) is before


@pytest.mark.parametrize(
    "raised",
    [
        duckdb.IOException("IO Error: No space left on device"),
        duckdb.OutOfMemoryException("Out of Memory Error"),
        duckdb.Error("Corrupt database file: computed checksum 1 does not match stored checksum 2"),
    ],
)
def test_trouble_with_the_disk_or_memory_is_a_plain_message(tmp_path: Path, raised: Exception) -> None:
    with (
        pytest.raises(StoreError, match="disk is full, memory ran out, or the file is damaged"),
        open_store(tmp_path / "s.duckdb", create=True),
    ):
        raise raised
    assert list(tmp_path.iterdir()) == []


def test_a_fault_in_our_own_sql_is_not_passed_off_as_trouble_with_the_disk(tmp_path: Path) -> None:
    with pytest.raises(duckdb.ParserException), open_store(tmp_path / "s.duckdb", create=True) as connection:
        connection.execute("selekt")


@posix
def test_owner_only_gives_the_former_mask_back(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        with owner_only():
            (tmp_path / "inside").touch()
        (tmp_path / "outside").touch()
    finally:
        os.umask(before)
    assert (_mode(tmp_path / "inside"), _mode(tmp_path / "outside")) == (0o600, 0o640)
