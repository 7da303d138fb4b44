"""Reads the files of an extract into temporary tables of the store, row by row checked."""

import re
from dataclasses import dataclass
from difflib import get_close_matches

import duckdb
import polars as pl

from pipeline.errors import ExtractError, listed
from pipeline.intake.check import typed
from pipeline.intake.privacy import (
    IdentifierSearch,
    refuse_identifiers,
    refuse_identifying_columns,
    search_identifiers,
    search_ragged_rows,
)
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.read import ExtractFile, header, pieces
from pipeline.intake.units import UnitCount, count_units, refuse_contradicted_units
from pipeline.vocabulary import TABLES, Kind, Table

_SQL_TYPES = {
    Kind.KEY: "varchar",
    Kind.TEXT: "varchar",
    Kind.CODE: "varchar",
    Kind.TIME: "timestamp",
    Kind.NUMBER: "double",
}


@dataclass(frozen=True)
class StagedFile:
    """One file as staged: its number within the load, its fingerprint, the rows read and the columns not used."""

    number: int
    file: ExtractFile
    sha256: str
    rows_read: int
    unused_columns: tuple[str, ...]


def create_incoming(connection: duckdb.DuckDBPyConnection) -> None:
    """Makes the empty temporary tables `incoming_<table>`: one row per row read, with its rule if it broke one."""
    for table in TABLES.values():
        columns = ", ".join(f"{column.name} {_SQL_TYPES[column.kind]}" for column in table.columns)
        connection.execute(
            f"create or replace temp table incoming_{table.name} (file_number integer, row_number bigint, {columns}, "
            "rule varchar, fault_column varchar, reason varchar, ambiguous integer, cells varchar, "
            "status varchar default 'new')"
        )


def stage_file(connection: duckdb.DuckDBPyConnection, file: ExtractFile, number: int, zone: str) -> StagedFile:
    """Reads one file into its `incoming_` table.

    Raises ExtractError, IdentifierError or UnitError when the file must not be stored at all.
    """
    table = TABLES[file.table]
    columns = header(file)
    _refuse_bad_header(file, table, columns)
    refuse_identifying_columns(file.name, columns)
    search, units, ragged, rows_read = IdentifierSearch(), UnitCount(), list[RaggedRow](), 0
    for piece in pieces(file, columns, ragged):
        rows = typed(piece, table, zone)
        search_identifiers(piece, rows, table, search)
        count_units(rows, table, units)
        rows_read += _insert(connection, table, number, rows)
    if ragged:
        search_ragged_rows(ragged, search)
        rows_read += _insert(connection, table, number, _ragged_rows(ragged))
    refuse_identifiers(file.name, search)
    refuse_contradicted_units(file.name, units)
    unused = tuple(name for name in columns if name not in table.column_names)
    return StagedFile(number, file, file.sha256(), rows_read, unused)


def _insert(connection: duckdb.DuckDBPyConnection, table: Table, number: int, rows: pl.DataFrame) -> int:
    staged = rows.with_columns(file_number=pl.lit(number, dtype=pl.Int32))
    connection.register("staged", staged)
    connection.execute(f"insert into incoming_{table.name} by name from staged")
    connection.unregister("staged")
    return rows.height


def _ragged_rows(ragged: list[RaggedRow]) -> pl.DataFrame:
    return pl.DataFrame(
        {"row_number": [row.row_number for row in ragged], "text": [row.text for row in ragged]},
        schema={"row_number": pl.Int64, "text": pl.String},
    ).select(
        "row_number",
        rule=pl.lit("wrong_number_of_cells"),
        ambiguous=pl.lit(0, dtype=pl.Int32),
        cells=pl.struct("text").struct.json_encode(),
    )


def _refuse_bad_header(file: ExtractFile, table: Table, columns: list[str]) -> None:
    expected = f"Expected for {table.name}: {', '.join(table.column_names)}."
    if not any(_plain(name) in table.column_names for name in columns):
        # Perhaps the first row of data: what stands there is not to be repeated here.
        raise ExtractError(
            f"The first row of the file {file.name} holds none of the column names of {table.name}. {expected} "
            "Put a header row with these names first and load again; nothing was stored."
        )
    others = [name for name in columns if name not in table.column_names]
    missing = [c.name for c in table.columns if c.required and c.name not in columns]
    if missing:
        hints = [f"{name} (perhaps '{near}')" if (near := _nearest(name, others)) else name for name in missing]
        raise ExtractError(
            f"The file {file.name} lacks the required column{'s' if len(missing) > 1 else ''} {', '.join(hints)}. "
            f"{expected} Rename or add the column and load again; nothing was stored."
        )
    repeated = sorted({name for name in columns if columns.count(name) > 1})
    if repeated:
        raise ExtractError(
            f"The file {file.name} has the same column name more than once: {listed(repeated)}. "
            "Keep one of each and load again; nothing was stored."
        )


def _nearest(name: str, others: list[str]) -> str | None:
    plain = {_plain(other): other for other in others}
    near = get_close_matches(name, plain, n=1, cutoff=0.5)
    return plain[near[0]] if near else None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
