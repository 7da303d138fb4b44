"""Every measure against its cases in tests/measures/<id>.toml, on two engines.

A case holds `name` (a sentence), `covers` (one of COVERS), small input tables as text, and `expected`, worked out by
hand in a comment. A table is one string: the first line names the columns, every other line is a row, cells are
separated by blanks, `-` is null, true and false are written out, a time is written 2026-03-01T08:00.

What a table does not name is null, but for four columns of `timeline` that would only repeat the others:
`last_reading_s` is 0, `ended_at` is started_at + seconds, `month` is the month of started_at, and `band_state` follows
from spo2_percent, lower_percent, upper_percent, on_oxygen and excluded by its definition (see `band_state` below).

The second engine is SQLite, from the standard library: it shows that the text of a measure is not one engine's own.
"""

import re
import sqlite3
import tomllib
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.catalogue import Measure, check_columns, check_on_store, read_measures
from pipeline.store import sql_stems
from pipeline.vocabulary import BAND_STATES

CASES = Path(__file__).parent / "measures"
TABLES = Path(__file__).parent.parent / "sql" / "tables"
COVERS = ("ordinary", "lower edge", "upper edge", "missing input", "nobody eligible")
MEASURES = {measure.id: measure for measure in read_measures()}

Row = dict[str, Any]


def cases_of(measure_id: str) -> list[dict[str, str]]:
    file = CASES / f"{measure_id}.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))["case"] if file.exists() else []


ALL_CASES = [
    pytest.param(measure, case, id=f"{measure.id}: {case['name']}")
    for measure in MEASURES.values()
    for case in cases_of(measure.id)
]


@pytest.fixture(scope="module")
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    """An empty store as the tool makes it, all tables of sql/tables/."""
    connection = duckdb.connect()
    states = ", ".join(f"'{state}'" for state in BAND_STATES)
    connection.execute(f"create type band_state as enum ({states})")
    for file in sorted(TABLES.glob("*.sql")):
        connection.execute(file.read_text(encoding="utf-8"))
    yield connection
    connection.close()


def columns_in_one_line(store: duckdb.DuckDBPyConnection, table: str) -> str:
    """A table without a row, as a case would write it."""
    return " ".join(columns_of(store, table))


def columns_of(store: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    return {name: kind for name, kind, *_ in store.execute(f"describe {table}").fetchall()}


@pytest.mark.parametrize("engine", ["duckdb", "sqlite"])
@pytest.mark.parametrize(("measure", "case"), ALL_CASES)
def test_case(store: duckdb.DuckDBPyConnection, measure: Measure, case: dict[str, str], engine: str) -> None:
    tables = {name: text for name, text in case.items() if name not in ("name", "covers", "expected")}
    for table in sql_stems("tables"):
        if re.search(rf"\b{table}\b", measure.sql):
            tables.setdefault(table, columns_in_one_line(store, table))
    run = run_on_duckdb if engine == "duckdb" else run_on_sqlite
    names, rows = run(store, measure.sql, {name: read_table(store, name, text) for name, text in tables.items()})

    assert check_columns(measure, names) == []
    header, *lines = [line.split() for line in case["expected"].strip().splitlines()]
    assert sorted(header) == sorted(names)
    expected = [dict(zip(header, map(plain, cells), strict=True)) for cells in lines]
    found = [dict(zip(names, map(comparable, row), strict=True)) for row in rows]
    assert in_order(found) == in_order(expected)


def run_on_duckdb(
    store: duckdb.DuckDBPyConnection, sql: str, tables: dict[str, list[Row]]
) -> tuple[list[str], list[tuple[Any, ...]]]:
    """The measure over plain tables with the names and types of the store's own."""
    connection = duckdb.connect()
    for table, rows in tables.items():
        columns = columns_of(store, table)
        connection.execute(f"create table {table} ({', '.join(f'{c} {kind}' for c, kind in columns.items())})")
        for row in rows:
            marks = ", ".join("?" for _ in columns)
            connection.execute(f"insert into {table} values ({marks})", [row[name] for name in columns])
    result = connection.execute(sql)
    return [column[0] for column in result.description], result.fetchall()


def run_on_sqlite(
    store: duckdb.DuckDBPyConnection, sql: str, tables: dict[str, list[Row]]
) -> tuple[list[str], list[tuple[Any, ...]]]:
    connection = sqlite3.connect(":memory:")
    for table, rows in tables.items():
        columns = columns_of(store, table)
        connection.execute(f"create table {table} ({', '.join(columns)})")
        for row in rows:
            cells = [row[name] for name in columns]
            cells = [cell.isoformat() if isinstance(cell, datetime) else cell for cell in cells]
            connection.execute(f"insert into {table} values ({', '.join('?' for _ in cells)})", cells)
    result = connection.execute(sql)
    return [column[0] for column in result.description], result.fetchall()


def read_table(store: duckdb.DuckDBPyConnection, table: str, text: str) -> list[Row]:
    columns = columns_of(store, table)
    header, *lines = [line.split() for line in text.strip().splitlines()]
    assert set(header) <= set(columns), f"{table} has no column {sorted(set(header) - set(columns))}"
    rows = []
    for cells in lines:
        written = dict(zip(header, cells, strict=True))
        row = {name: as_kind(written.get(name, "-"), kind) for name, kind in columns.items()}
        if table == "timeline":
            derived = what_follows(row)
            row |= {name: value for name, value in derived.items() if name not in header}
        rows.append(row)
    return rows


def as_kind(cell: str, kind: str) -> Any:
    if cell == "-":
        return None
    if kind == "BOOLEAN":
        return {"true": True, "false": False}[cell]
    if kind == "TIMESTAMP":
        return datetime.fromisoformat(cell)
    if kind in ("INTEGER", "BIGINT", "TINYINT"):
        return int(cell)
    return float(cell) if kind == "DOUBLE" else cell


def what_follows(row: Row) -> Row:
    started_at, seconds = row["started_at"], row["seconds"]
    return {
        "last_reading_s": 0,
        "ended_at": started_at + timedelta(seconds=seconds),
        "month": started_at.strftime("%Y-%m"),
        "band_state": band_state(row),
    }


def band_state(row: Row) -> str:
    """The definition: exclusion before all others, then no target, unobserved, below, within, the three aboves."""
    if row["excluded"] is not None:
        return "excluded"
    if row["lower_percent"] is None:
        return "no_target"
    if row["spo2_percent"] is None:
        return "unobserved"
    if row["spo2_percent"] < row["lower_percent"]:
        return "below"
    if row["spo2_percent"] <= row["upper_percent"]:
        return "within"
    return {True: "above_on_oxygen", False: "above_on_air", None: "above_device_unknown"}[row["on_oxygen"]]


def plain(cell: str) -> Any:
    """An expected cell: null, truth value, number or text."""
    if cell in ("-", "true", "false"):
        return {"-": None, "true": True, "false": False}[cell]
    try:
        return comparable(float(cell))
    except ValueError:
        return cell


def comparable(value: Any) -> Any:
    """Numbers to a millionth, so that 0.3333333 may be written for a third; one engine has 1 for true."""
    return value if value is None or isinstance(value, str) else round(float(value), 6)


def in_order(rows: list[Row]) -> list[Row]:
    key_columns = ("stay_id", "ward", "month", "value")
    return sorted(rows, key=lambda row: tuple(str(row.get(name)) for name in key_columns))


def test_every_measure_has_cases_of_every_kind() -> None:
    wanting = {
        measure_id: [kind for kind in COVERS if kind not in {case["covers"] for case in cases_of(measure_id)}]
        for measure_id in MEASURES
    }
    assert {measure_id: kinds for measure_id, kinds in wanting.items() if kinds} == {}


def test_every_cases_file_has_a_measure_and_every_case_a_sentence_and_a_kind() -> None:
    assert sorted(file.stem for file in CASES.glob("*.toml")) == sorted(MEASURES)
    for measure_id in MEASURES:
        names = [case["name"] for case in cases_of(measure_id)]
        assert len(set(names)) == len(names)
        assert all(len(name.split()) > 3 for name in names), "a name is a sentence"
        assert {case["covers"] for case in cases_of(measure_id)} <= set(COVERS)


def test_every_measure_fits_the_tables_of_the_store(store: duckdb.DuckDBPyConnection) -> None:
    check_on_store(MEASURES.values(), store)
