"""Fills tables of the store: with a frame, with a file of sql/derived/, with what a measure returns."""

import duckdb
import polars as pl

from pipeline.measure_file import Measure
from pipeline.measure_rows import measure_rows_query
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
    """Runs one measure file over the store and keeps its rows, each with the patient's group in that month."""
    returned = connection.sql(measure.sql).columns
    connection.execute(f"insert into measure_rows by name {measure_rows_query(measure, returned)}")


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
