"""The store read by others: any tool may open it for reading while nothing writes, several at once, all of it."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.errors import StoreError
from pipeline.store import open_store, read_store
from pipeline.vocabulary import BAND_STATES
from tests.documented import columns_of_the_store
from tests.store_files import fingerprint_of, write_measured_store


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return write_measured_store(tmp_path / "s.duckdb")


# A program of its own that knows nothing of this one.
_READER = """
import json, sys
import duckdb
import polars

with duckdb.connect(sys.argv[1], read_only=True) as store:
    tables = [name for (name,) in store.execute("select table_name from information_schema.tables").fetchall()]
    found = {}
    for table in tables:
        plain = store.execute(f"select * from {table}")
        names, rows = [column[0] for column in plain.description], plain.fetchall()
        in_polars = polars.read_database(f"select * from {table}", store)
        assert (in_polars.columns, in_polars.height) == (names, len(rows))
        if "pandas" in sys.argv:
            in_pandas = store.sql(f"select * from {table}").df()
            assert type(in_pandas).__module__.startswith("pandas")
            assert (list(in_pandas.columns), len(in_pandas)) == (names, len(rows))
        found[table] = [names, len(rows)]
    states = store.sql("select distinct band_state from spans").pl()["band_state"].to_list()
    assert "pipeline" not in sys.modules
    print(json.dumps([found, states]), flush=True)
    sys.stdin.read()
"""


def reader(store: Path, folder: Path, *also: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", _READER, str(store), *also]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, cwd=folder)


@pytest.fixture
def readers(store: Path, tmp_path: Path) -> Iterator[list[subprocess.Popen[str]]]:
    """Two programs that have read the store and still have it open."""
    both = [reader(store, tmp_path, "pandas"), reader(store, tmp_path)]
    yield both
    for each in both:
        each.communicate()


def test_two_other_programs_read_every_documented_table_at_once_and_writing_has_to_wait(
    store: Path, readers: list[subprocess.Popen[str]]
) -> None:
    before = fingerprint_of(store)
    answers = []
    for each in readers:
        assert each.stdout is not None
        line = each.stdout.readline()
        assert line, each.communicate()[1]
        answers.append(json.loads(line))
    found, states = answers[0]
    assert answers[0][0] == answers[1][0]
    assert {table: names for table, (names, _) in found.items()} == {
        table: list(columns) for table, columns in columns_of_the_store().items()
    }
    with read_store(store) as connection:
        for table in ("timeline", "stays_by_group", "spans", "month_summary", "measure_rows"):
            [(rows,)] = connection.execute(f"select count(*) from {table}").fetchall()
            assert found[table][1] == rows > 0
    assert set(states) <= set(BAND_STATES)
    assert len(states) > 4

    with pytest.raises(StoreError, match="in use by another program"), open_store(store):
        pass
    for each in readers:
        assert each.communicate()[1] == ""
        assert each.returncode == 0
    with open_store(store):
        pass
    assert fingerprint_of(store) == before


def test_a_program_that_writes_keeps_readers_out_with_a_message(store: Path) -> None:
    code = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    writer = subprocess.Popen(
        [sys.executable, "-c", code, str(store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    assert writer.stdout.readline() == "open\n"
    with pytest.raises(StoreError, match=r"in use by another program .* Wait until it has finished"), read_store(store):
        pass
    writer.communicate()
    with read_store(store) as connection:
        assert connection.execute("select count(*) > 0 from stays").fetchall() == [(True,)]


@pytest.mark.parametrize(
    "statement",
    [
        "insert into store_facts values ('x', 'y')",
        "create table mine (n integer)",
        "drop table measure_rows",
        "update stays set patient_key = 'x'",
        "set enable_external_access = true",
    ],
)
def test_nothing_can_be_written_into_a_store_opened_for_reading(store: Path, statement: str) -> None:
    before = fingerprint_of(store)
    with read_store(store) as connection, pytest.raises(duckdb.Error):
        connection.execute(statement)
    assert fingerprint_of(store) == before
    assert [path.name for path in store.parent.iterdir()] == [store.name]


def test_tables_of_the_connections_own_are_kept_in_memory(store: Path) -> None:
    before = fingerprint_of(store)
    with read_store(store) as connection:
        connection.execute("create temp table measure_rows as select 1 as n")
        assert connection.execute("select n from measure_rows").fetchall() == [(1,)]
    with read_store(store) as connection:
        assert "n" not in connection.sql("select * from measure_rows").columns
    assert fingerprint_of(store) == before


def test_a_query_on_it_opens_no_file_and_no_variable_of_the_program(store: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "other.csv"
    elsewhere.write_text("a\n1\n", encoding="utf-8")
    mine = pl.DataFrame({"a": [1]})
    with read_store(store) as connection:
        for source in (f"read_csv('{elsewhere}')", f"'{elsewhere}'", "mine"):
            with pytest.raises(duckdb.Error):
                connection.execute(f"select * from {source}").fetchall()
    assert mine.height == 1


def test_rows_in_the_log_of_a_killed_program_are_read_and_the_files_left_as_they_are(store: Path) -> None:
    """What was committed and not yet moved into the file itself stands in a log beside it."""
    code = """
import duckdb, os, sys
store = duckdb.connect(sys.argv[1])
store.execute("insert into store_facts values ('in_the_log', 'yes')")
os.kill(os.getpid(), 9)
"""
    subprocess.run([sys.executable, "-c", code, str(store)], check=False)
    log = store.with_name(f"{store.name}.wal")
    before = fingerprint_of(store), fingerprint_of(log)
    with read_store(store) as connection:
        found = connection.execute("select value from store_facts where name = 'in_the_log'").fetchall()
    assert found == [("yes",)]
    assert (fingerprint_of(store), fingerprint_of(log)) == before


def test_a_store_that_is_none_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="There is no store at"), read_store(tmp_path / "none.duckdb"):
        pass
    (tmp_path / "text.duckdb").write_text("not a store", encoding="utf-8")
    with pytest.raises(StoreError, match="cannot be opened as a store"), read_store(tmp_path / "text.duckdb"):
        pass
