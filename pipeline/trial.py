"""Tries a measure file on a measured store: what it returns, and its figures pooled as in the report.

Nothing is written into the store: what the SELECT returns is kept in memory, in tables of the connection's own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter

import duckdb
import polars as pl

from pipeline.catalogue import check_file, refuse
from pipeline.errors import MeasureFileError
from pipeline.measure import run_measure
from pipeline.measure_file import Measure
from pipeline.measure_rows import is_unusable
from pipeline.measure_select import NOT_OF_THE_SQL, fault_of_running
from pipeline.policy import Policy
from pipeline.rollup import measure_summary, suppress_small_counts
from pipeline.store import create_tables, sql_text
from pipeline.trial_warnings import RETURNED, few, numbers_of, warnings


@dataclass(frozen=True)
class Trial:
    """A measure tried on a store.

    rows, stays, patients, zero_denominators and `nulls` (by column) count what the SELECT returned, over all months;
    small counts are in words. seconds: how long it ran. warnings: what looks wrong. summary: one row per month, ward
    and group with the columns of `measure_summary` and `suppressed`, small counts hidden.
    """

    measure: Measure
    rows: str
    stays: str
    patients: str
    nulls: Mapping[str, str]
    zero_denominators: str
    seconds: float
    warnings: tuple[str, ...]
    summary: pl.DataFrame


def read_measure_to_try(file: Path) -> Measure:
    """The measure of a file anywhere, checked as the catalogue does it, on the tables of a store that holds nothing.

    Raises MeasureFileError with every fault of the header and of the SELECT, each with its line and the nearest name.
    """
    if not file.is_file():
        raise MeasureFileError(f"There is no file {file}. Give the path of a measure, a file named <measure>.sql.")
    with duckdb.connect() as connection:
        create_tables(connection)
        connection.execute("set enable_external_access = false")
        return check_file(file, connection)


def try_measure(connection: duckdb.DuckDBPyConnection, measure: Measure, policy: Policy) -> Trial:
    """Runs a measure that was checked on a measured store, which is only read.

    Raises MeasureFileError with line and column, never with a value, when the SELECT fails on what the store holds.
    """
    started = perf_counter()
    try:
        connection.execute(f"create or replace temp table {RETURNED} as {measure.sql}")
    except NOT_OF_THE_SQL:
        raise
    except duckdb.Error as error:
        fault = fault_of_running(error, measure.file, measure.first_line, measure.sql)
        refuse([fault], f"bandaudit try {measure.file}")
    seconds = perf_counter() - started
    small = policy.small_count_below
    columns = [name for name, *_ in connection.execute(f"describe {RETURNED}").fetchall()]
    return Trial(
        measure,
        **_counted(connection, small),
        nulls={name: few(_count(connection, f'"{name}" is null'), small) for name in columns},
        zero_denominators=few(_count(connection, "denominator = 0"), small) if "denominator" in columns else "",
        seconds=seconds,
        warnings=warnings(connection, measure, columns, small),
        summary=suppress_small_counts(_pooled(connection, measure, columns), policy),
    )


def _count(connection: duckdb.DuckDBPyConnection, condition: str) -> int:
    return int(connection.execute(f"select count(*) from {RETURNED} where {condition}").fetchall()[0][0])


def _counted(connection: duckdb.DuckDBPyConnection, small: float) -> dict[str, str]:
    query = f"""
        select
            count(*) as rows,
            count(distinct returned.stay_id) as stays,
            count(distinct groups.patient_key) as patients
        from {RETURNED} as returned
        left join stays_by_group as groups
            on groups.stay_id = returned.stay_id
            and groups.month = returned.month
    """
    found = connection.execute(query)
    names = [column[0] for column in found.description]
    counts = dict(zip(names, found.fetchall()[0], strict=True))
    return {name: few(count, small) for name, count in counts.items()}


def _pooled(connection: duckdb.DuckDBPyConnection, measure: Measure, columns: list[str]) -> pl.DataFrame:
    """By the very code of the report, over tables of the connection's own that hide those of the store."""
    own = sql_text("tables", "measure_rows").replace("create table", "create or replace temp table", 1)
    connection.execute(own)
    listed, usable = ", ".join(f'"{name}"' for name in columns), f"not ({is_unusable(numbers_of(columns))})"
    run_measure(connection, replace(measure, sql=f"select {listed} from {RETURNED} where {usable}"))
    return measure_summary(connection, [measure])
