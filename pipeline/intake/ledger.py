"""Counts what became of every row of a load, checks the sum, and writes the ledger and the rows kept aside."""

from datetime import UTC, datetime

import duckdb
import polars as pl

from pipeline.intake.stage import StagedSource
from pipeline.store import tool_version
from pipeline.vocabulary import TABLES, Kind


def all_known(connection: duckdb.DuckDBPyConnection, staged: list[StagedSource]) -> bool:
    """Whether every file of the load was loaded before, byte by byte."""
    known = set(connection.execute("select table_name, file_sha256 from load_ledger").fetchall())
    return all((file.table, file.sha256) in known for file in staged)


def counts(connection: duckdb.DuckDBPyConnection, staged: list[StagedSource]) -> pl.DataFrame:
    """One row per file with the counts of the ledger, whose sum is checked here.

    rows_read = rows_stored + rows_already_stored + rows_repeated + rows_kept_aside. times_ambiguous: local times of
    accepted rows that occur twice.
    """
    rows = []
    for file in staged:
        [(stored, already, repeated, aside, ambiguous)] = connection.execute(
            f"""
            select
                count(*) filter (where rule is null and status = 'new'),
                count(*) filter (where rule is null and status = 'already_stored'),
                count(*) filter (where rule is null and status = 'repeated'),
                count(*) filter (where rule is not null),
                coalesce(sum(ambiguous) filter (where rule is null), 0)
            from incoming_{file.table}
            where file_number = ?
            """,
            [file.number],
        ).fetchall()
        if stored + already + repeated + aside != file.rows_read:
            raise RuntimeError(f"rows of {file.name} do not add up: a fault of the tool; nothing was stored")
        rows.append((file.table, file.name, file.rows_read, stored, already, repeated, aside, int(ambiguous)))
    names = [
        "table_name",
        "file_name",
        "rows_read",
        "rows_stored",
        "rows_already_stored",
        "rows_repeated",
        "rows_kept_aside",
        "times_ambiguous",
    ]
    return pl.DataFrame(rows, schema=names, orient="row")


def write_ledger(
    connection: duckdb.DuckDBPyConnection,
    staged: list[StagedSource],
    files: pl.DataFrame,
    zone: str,
    as_of: datetime,
    stays_replaced: int,
    with_texts: bool = True,
) -> None:
    """Adds one row per file of this load to the ledger, and the rows kept aside.

    files: one row per file, in the order of `staged`, as `counts` makes it. with_texts: whether the text cells of rows
    kept aside are kept; a key may have slipped into one.
    """
    [(load_no,)] = connection.execute("select coalesce(max(load_no), 0) + 1 from load_ledger").fetchall()
    loaded_at = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    for file, count in zip(staged, files.iter_rows(named=True), strict=True):
        entry = {
            "load_no": load_no,
            "loaded_at": loaded_at,
            **count,
            "file_sha256": file.sha256,
            "stays_replaced": stays_replaced,
            "zone": zone,
            "as_of": as_of,
            "tool_version": tool_version(),
        }
        connection.execute(
            f"insert into load_ledger ({', '.join(entry)}) values ({', '.join('?' * len(entry))})",
            list(entry.values()),
        )
        # A file loaded again is judged anew; its rows do not stand twice.
        connection.execute(
            "delete from rejected_rows where table_name = ? and file_sha256 = ? and load_no < ?",
            [file.table, file.sha256, load_no],
        )
        _write_rejected(connection, file, load_no, with_texts)


def write_notes(connection: duckdb.DuckDBPyConnection, sentences: list[str]) -> None:
    """Stores what was told of the latest load of the ledger."""
    for sentence in sentences:
        connection.execute("insert into load_notes select max(load_no), ? from load_ledger", [sentence])


def _write_rejected(connection: duckdb.DuckDBPyConnection, file: StagedSource, load_no: int, with_texts: bool) -> None:
    table = TABLES[file.table]
    kept = [column for column in table.columns if with_texts or column.kind is not Kind.TEXT]
    cells = ", ".join(f"{column.name} := {_as_text(column.name, column.kind)}" for column in kept)
    connection.execute(
        f"""
        insert into rejected_rows
        select ?, ?, ?, ?, row_number, fault_column, rule, reason, coalesce(cells, to_json(struct_pack({cells})))
        from incoming_{table.name}
        where file_number = ? and rule is not null
        order by row_number
        """,
        [load_no, table.name, file.name, file.sha256, file.number],
    )


def _as_text(name: str, kind: Kind) -> str:
    return f"strftime({name}, '%Y-%m-%dT%H:%M:%SZ')" if kind is Kind.TIME else f"{name}::varchar"


def kept_aside(connection: duckdb.DuckDBPyConnection, staged: list[StagedSource]) -> pl.DataFrame:
    """One row per file, rule and column: how many rows were kept aside, and the first row numbers."""
    rows = []
    for file in staged:
        found = connection.execute(
            f"""
            select
                rule,
                fault_column,
                reason,
                count(*) as row_count,
                list(row_number order by row_number)[1:5] as examples
            from incoming_{file.table}
            where file_number = ? and rule is not null
            group by rule, fault_column, reason
            order by row_count desc, rule, fault_column
            """,
            [file.number],
        ).fetchall()
        rows += [(file.table, file.name, *row) for row in found]
    return pl.DataFrame(
        rows,
        schema={
            "table_name": pl.String,
            "file_name": pl.String,
            "rule": pl.String,
            "column_name": pl.String,
            "reason": pl.String,
            "rows": pl.Int64,
            "examples": pl.List(pl.Int64),
        },
        orient="row",
    )
