"""The tables of some stays or months under the names of the store's, so that the same SQL runs over them alone.

DuckDB looks for a name among temporary tables first. While `only_these_stays` lasts, `stays`, `spans` and so on mean
the rows of these stays, also inside views of the store such as `timeline`; `in_store` names what lies beneath.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress

import duckdb

from pipeline.layers import SECONDS_BITS
from pipeline.stay_batches import StayBatch
from pipeline.store import sql_text
from pipeline.vocabulary import TABLES


def in_store(connection: duckdb.DuckDBPyConnection, table: str) -> str:
    """The full name of a table of the store, whatever temporary table has its short one."""
    [(database,)] = connection.execute("select current_database()").fetchall()
    quoted = database.replace('"', '""')
    return f'"{quoted}".main.{table}'


@contextmanager
def only_these_stays(
    connection: duckdb.DuckDBPyConnection, batch: StayBatch, measured: Iterable[str], *, empty: bool
) -> Iterator[None]:
    """While inside, tables hold the rows of the batch only: those of the extract, and those of `measured`.

    empty: the measured ones are new and empty, to be filled; else they are what the store holds of these stays.
    """
    with _dropped_afterwards(connection) as made:
        for table in TABLES:
            made.append(f"view temp.{table}")
            _view(connection, table, f"stay_no between {batch.first} and {batch.last}")
        for table in measured:
            made.append(f"{'table' if empty else 'view'} temp.{table}")
            if empty:
                connection.execute(sql_text("tables", table).replace("create table", "create temp table", 1))
            else:
                _view(connection, table, _of_these(table, batch))
        yield


@contextmanager
def only_these_months(
    connection: duckdb.DuckDBPyConnection, months: Iterable[str], tables: Iterable[str]
) -> Iterator[None]:
    """While inside, the tables, each with a column `month`, hold the rows of these months only."""
    with _dropped_afterwards(connection) as made:
        made.append("table temp.months_chosen")
        connection.execute("create temp table months_chosen as select unnest($1::varchar[]) as month", [list(months)])
        for table in tables:
            made.append(f"view temp.{table}")
            _view(connection, table, "month in (select month from months_chosen)")
        yield


@contextmanager
def _dropped_afterwards(connection: duckdb.DuckDBPyConnection) -> Iterator[list[str]]:
    """Drops what is listed inside, the last first."""
    made = list[str]()
    try:
        yield made
    except BaseException:
        # A transaction that has failed lets nothing be dropped, and takes what was made in it with it.
        with suppress(duckdb.Error):
            _drop(connection, made)
        raise
    _drop(connection, made)


def _drop(connection: duckdb.DuckDBPyConnection, made: list[str]) -> None:
    for what in reversed(made):
        kind, name = what.split()
        connection.execute(f"drop {kind} if exists {name}")


def _view(connection: duckdb.DuckDBPyConnection, table: str, condition: str) -> None:
    connection.execute(f"create temp view {table} as select * from {in_store(connection, table)} where {condition}")


def _of_these(table: str, batch: StayBatch) -> str:
    if table in ("conditions", "spans"):
        first, after = batch.first << SECONDS_BITS, (batch.last + 1) << SECONDS_BITS
        return f"condition_no >= {first} and condition_no < {after}"
    return "stay_id in (select stay_id from stays)"
