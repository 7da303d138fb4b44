"""Pools patients to months, wards and groups: by the local function, on the rows per stay that Spark has made."""

import tempfile
from collections.abc import Sequence
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import polars as pl

from pipeline.batch import BATCH_TABLES
from pipeline.fill import insert
from pipeline.measure import DERIVED_TABLES
from pipeline.measure_file import Measure
from pipeline.pooled_months import POOLED_BY_MONTH, pool_months
from pipeline.spark.outputs import read_table
from pipeline.spark.sql import columns_of_tables
from pipeline.store import open_store

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession

_ROWS_AT_A_TIME = 5_000_000


def pooled_tables(spark: "SparkSession", out: str, measures: Sequence[Measure]) -> dict[str, pl.DataFrame]:
    """The rows of the tables that are pooled by month (POOLED_BY_MONTH).

    What they are made of is gathered from `out` in a temporary store: every table with rows per stay or event, and of
    the timeline only the conditions of stays with episodes, which say in which month an episode starts.
    """
    with (
        tempfile.TemporaryDirectory(prefix="bandaudit-pooling-") as folder,
        open_store(Path(folder) / "pooling.duckdb", create=True) as connection,
    ):
        with_episodes = read_table(spark, out, "high_fio2_episodes").select("stay_id")
        for table in (*BATCH_TABLES, *DERIVED_TABLES, "measure_rows"):
            if "stay_id" in columns_of_tables()[table]:
                rows = read_table(spark, out, table)
                if table == "conditions":
                    rows = rows.join(with_episodes, "stay_id", "left_semi")
                _gather(connection, rows, table)
        pool_months(connection, measures)
        return {table: connection.sql(f"select * from {table}").pl() for table in POOLED_BY_MONTH}


def _gather(connection: duckdb.DuckDBPyConnection, rows: "DataFrame", table: str) -> None:
    from pyspark.sql import functions as f

    parts = ceil(rows.count() / _ROWS_AT_A_TIME)
    for part in range(parts):
        some = rows if parts == 1 else rows.filter(f.pmod(f.xxhash64("stay_id"), f.lit(parts)) == part)
        insert(connection, table, pl.DataFrame(pl.from_arrow(some.toArrow())))
