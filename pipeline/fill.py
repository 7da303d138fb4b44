"""Fills tables of the store: with a frame, with a file of sql/derived/, with what a measure returns."""

from collections.abc import Sequence

import duckdb
import polars as pl

from pipeline.errors import MeasureFileError
from pipeline.measure_file import Measure
from pipeline.measure_rows import is_unusable, measure_rows_query
from pipeline.measure_select import NOT_OF_THE_SQL, Fault, fault_of_running
from pipeline.store import create_tables, sql_text
from pipeline.timeline import Timeline


def insert(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Appends a frame to a table of the store, column by column name."""
    connection.register("arriving", frame)
    connection.execute(f"insert into {table} by name from arriving")
    connection.unregister("arriving")


def derive(connection: duckdb.DuckDBPyConnection, table: str) -> None:
    """Fills a table with the result of the SELECT of its name in sql/derived/."""
    connection.execute(f"insert into {table} by name {sql_text('derived', table)}")


def run_measure(connection: duckdb.DuckDBPyConnection, measure: Measure) -> None:
    """Runs one measure file over the store and keeps its rows, each with the patient's group in that month.

    Raises MeasureFileError when the SELECT fails on what the store holds. See `refuse_unusable_rows`.
    """
    returned = connection.sql(measure.sql).columns
    try:
        connection.execute(f"insert into measure_rows by name {measure_rows_query(measure, returned)}")
    except NOT_OF_THE_SQL:
        raise
    except duckdb.Error as error:
        _refuse(measure, fault_of_running(error, measure.file, measure.first_line, measure.sql))


def refuse_unusable_rows(connection: duckdb.DuckDBPyConnection, measures: Sequence[Measure]) -> None:
    """Raises MeasureFileError when rows kept of a measure hold a number that cannot be added up."""
    found = connection.execute(f"select distinct measure_id from measure_rows where {is_unusable()}").fetchall()
    for measure in measures:
        if (measure.id,) in found:
            what = "rows hold a number that is not finite, or too large to add up (a division by 0?): leave them out"
            _refuse(measure, Fault(measure.file, measure.first_line, what))


def _refuse(measure: Measure, fault: Fault) -> None:
    raise MeasureFileError(
        f"A measure cannot be run on this store. {fault.file}, line {fault.line}: {fault.what}\n"
        "Without it there is no report; what was measured before is kept. Correct the file, or take it out, then run: "
        f"bandaudit try {measure.file} --store STORE"
    )


def stay_band_time(timeline: Timeline) -> pl.DataFrame:
    """The band time of a timeline that stands by itself, by the same SQL as in the store; for trying things out.

    Out: one row per row of the table `stay_band_time`.
    """
    with duckdb.connect() as connection:
        create_tables(connection)
        insert(connection, "conditions", timeline.conditions)
        insert(connection, "spans", timeline.spans)
        derive(connection, "stay_band_time")
        return connection.sql("select * from stay_band_time").pl()
