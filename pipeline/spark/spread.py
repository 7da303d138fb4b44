"""Writes what a store holds of its extracts as Parquet, for Spark. Reads the store, changes nothing in it.

One folder per table. The tables of the extract are cut by the site of the stay and the month of its admission (UTC), so
that all rows of a stay lie together: `readings/site=North/month=2026-01/`. The files hold every column; the names of
the folders only say where a row is. The tables about the loads are one file each.
"""

from pathlib import Path

import duckdb

from pipeline.errors import AuditError, StoreError
from pipeline.store import fact, owner_only
from pipeline.vocabulary import TABLES

# What a store knows about its loads: every page says it.
LOAD_TABLES = ("load_ledger", "load_notes", "load_verdicts", "rejected_rows")
FACTS = "store_facts"


def spread_store(connection: duckdb.DuckDBPyConnection, folder: Path) -> dict[str, int]:
    """Writes the tables of the extract, those about its loads and the facts of the store into a new folder.

    Out: rows by table. Files are readable by their owner only. Raises StoreError when nothing was loaded yet,
    AuditError when the folder is not empty or cannot be written.
    """
    if fact(connection, "zone") is None:
        raise StoreError(
            "Nothing was loaded into this store yet, so there is nothing to spread. "
            "Load an extract first: bandaudit load EXTRACT --store FILE"
        )
    if folder.exists() and any(folder.iterdir()):
        raise AuditError(
            f"The folder {folder} is not empty. Give a new one with --out, so that no old file stays in it."
        )
    rows = {}
    try:
        with owner_only():
            folder.mkdir(parents=True, exist_ok=True)
            for table in TABLES:
                rows[table] = _write_cut(connection, table, folder)
            for table in LOAD_TABLES:
                rows[table] = _write_whole(connection, table, folder)
            # Last: a folder without it is not complete.
            _write_whole(connection, FACTS, folder)
    except (OSError, duckdb.IOException) as error:
        raise AuditError(
            f"The folder {folder} cannot be written (no permission, or the disk is full). Make room or give another "
            "with --out; what was written there can be removed."
        ) from error
    return rows


def _write_cut(connection: duckdb.DuckDBPyConnection, table: str, folder: Path) -> int:
    join = "" if table == "stays" else "join stays using (stay_no)"
    (folder / table).mkdir()
    return _copied(
        connection,
        f"""
        select
            {table}.*,
            {"" if table == "stays" else "stays.site,"}
            strftime(stays.admitted_at, '%Y-%m') as month
        from {table}
        {join}
        """,
        folder / table,
        "partition_by (site, month), write_partition_columns true",
    )


def _write_whole(connection: duckdb.DuckDBPyConnection, table: str, folder: Path) -> int:
    (folder / table).mkdir()
    return _copied(connection, f"select * from {table}", folder / table / "data.parquet")


def _copied(connection: duckdb.DuckDBPyConnection, query: str, path: Path, *options: str) -> int:
    place = str(path).replace("'", "''")
    listed = ", ".join(("format parquet", "compression zstd", *options))
    [(rows,)] = connection.execute(f"copy ({query}) to '{place}' ({listed})").fetchall()
    return int(rows)
