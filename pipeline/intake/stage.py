"""Reads the sources of an extract into temporary tables of the store, row by row checked."""

import re
from collections.abc import Callable
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
from pipeline.intake.rekey import rekeyed, without_cells_as_read, without_text
from pipeline.intake.source import Source
from pipeline.intake.units import UnitCount, count_units, refuse_contradicted_units
from pipeline.progress import Step
from pipeline.vocabulary import TABLES, Kind, Table

_SQL_TYPES = {
    Kind.KEY: "varchar",
    Kind.TEXT: "varchar",
    Kind.CODE: "varchar",
    Kind.TIME: "timestamp",
    Kind.NUMBER: "double",
}
# Columns of a piece by which a source keeps rows aside for reasons that their cells do not show.
_RULES_OF_THE_SOURCE = ("rule", "fault_column")


@dataclass(frozen=True)
class StagedSource:
    """One source as staged: its number within the load, its fingerprint, the rows read and the columns not used."""

    number: int
    table: str
    name: str
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


def stage_source(
    connection: duckdb.DuckDBPyConnection,
    source: Source,
    number: int,
    zone: str,
    key: bytes | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> StagedSource:
    """Reads one source into its `incoming_` table.

    key: stays and patients are hashed anew under it, after the search for identifiers has seen them as they are. tell:
    hears how many rows are read.
    Raises ExtractError, IdentifierError or UnitError when the source must not be stored at all.
    """
    table = TABLES[source.table]
    _refuse_bad_header(source, table)
    refuse_identifying_columns(source.name, source.columns)
    search, units, ragged, rows_read = IdentifierSearch(), UnitCount(source.units), list[RaggedRow](), 0
    tell(Step(f"reading {source.name}", 0, source.about_rows, is_guess=True))
    for piece in source.pieces(ragged):
        cells = piece.drop(_RULES_OF_THE_SOURCE, strict=False)
        hashed = cells if key is None else rekeyed(connection, cells, key)
        rows = _with_rules_of_the_source(typed(hashed, table, zone), piece)
        search_identifiers(cells, rows, table, search)
        if key is not None:
            rows = without_cells_as_read(rows, table)
        count_units(rows, table, units)
        rows_read += _insert(connection, table, number, rows)
        tell(Step(f"reading {source.name}", rows_read, source.about_rows, is_guess=True))
    if ragged:
        search_ragged_rows(ragged, search)
        shown = ragged if key is None else without_text(ragged)
        rows_read += _insert(connection, table, number, _ragged_rows(shown))
    tell(Step(f"reading {source.name}", rows_read, rows_read))
    refuse_identifiers(source.name, search)
    refuse_contradicted_units(source.name, units)
    unused = tuple(name for name in source.columns if name not in table.column_names)
    return StagedSource(number, source.table, source.name, source.fingerprint(), rows_read, unused)


def _with_rules_of_the_source(rows: pl.DataFrame, piece: pl.DataFrame) -> pl.DataFrame:
    """The rows, with a rule that the source found broken before any that the cells break."""
    if "rule" not in piece.columns:
        return rows
    of_source = piece.select("row_number", *(pl.col(name).alias(f"source_{name}") for name in _RULES_OF_THE_SOURCE))
    broken = pl.col("source_rule").is_not_null()
    return (
        rows.with_columns(of_source.drop("row_number"))
        .with_columns(
            rule=pl.coalesce("source_rule", "rule"),
            fault_column=pl.when(broken).then("source_fault_column").otherwise("fault_column"),
        )
        .drop(f"source_{name}" for name in _RULES_OF_THE_SOURCE)
    )


def _insert(connection: duckdb.DuckDBPyConnection, table: Table, number: int, rows: pl.DataFrame) -> int:
    is_good = pl.col("rule").is_null()
    for part in (rows.filter(is_good), rows.filter(~is_good)):
        # Writing nulls takes as long as writing values: columns without a value are left to the table.
        filled = [column.name for column in part if column.null_count() < part.height]
        if filled:
            staged = part.select(pl.lit(number, dtype=pl.Int32).alias("file_number"), *filled)
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


def _refuse_bad_header(source: Source, table: Table) -> None:
    columns = source.columns
    expected = f"Expected for {table.name}: {', '.join(table.column_names)}."
    if not any(_plain(name) in table.column_names for name in columns):
        # Perhaps the first row of data: what stands there is not to be repeated here.
        raise ExtractError(
            f"The first row of the file {source.name} holds none of the column names of {table.name}. {expected} "
            "Put a header row with these names first and load again; nothing was stored."
        )
    others = [name for name in columns if name not in table.column_names]
    missing = [c.name for c in table.columns if c.required and c.name not in columns]
    if missing:
        hints = [f"{name} (perhaps '{near}')" if (near := _nearest(name, others)) else name for name in missing]
        raise ExtractError(
            f"The file {source.name} lacks the required column{'s' if len(missing) > 1 else ''} {', '.join(hints)}. "
            f"{expected} Rename or add the column and load again; nothing was stored."
        )
    repeated = sorted({name for name in columns if columns.count(name) > 1})
    if repeated:
        raise ExtractError(
            f"The file {source.name} has the same column name more than once: {listed(repeated)}. "
            "Keep one of each and load again; nothing was stored."
        )


def _nearest(name: str, others: list[str]) -> str | None:
    plain = {_plain(other): other for other in others}
    near = get_close_matches(name, plain, n=1, cutoff=0.5)
    return plain[near[0]] if near else None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
