"""Writes measured tables as Parquet, cut by site and month, and reads them back as the tables that SQL knows.

One folder per table, `high_fio2_episodes/site=North/…`: cut by `site` and `month` where the table has them. A table
with a row per stay or event that has no site of its own is cut by that of the stay, and `spans` by the month as well;
these columns are in the names of the folders only.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import AuditError
from pipeline.spark.sql import columns_of_tables

if TYPE_CHECKING:
    import pyarrow as pa
    from pyspark.sql import DataFrame, SparkSession

# What the tables of a run were made with; written last, so that a run that was broken off has none.
RUN_TABLE = "spark_run"
CUT_BY = ("site", "month")


def placed_columns(table: str) -> dict[str, str]:
    """The columns of a measured table with their types on Spark, and those by which its rows are placed besides."""
    columns = dict(columns_of_tables()[table])
    if "stay_id" in columns or table == "spans":
        columns.setdefault("site", "string")
    if table == "spans":
        columns.setdefault("month", "string")
    return columns


def arrow_schema(columns: Mapping[str, str]) -> "pa.Schema":
    """The same columns for Arrow."""
    import pyarrow as pa

    kinds = {
        "string": pa.string(),
        "double": pa.float64(),
        "bigint": pa.int64(),
        "int": pa.int32(),
        "smallint": pa.int16(),
        "tinyint": pa.int8(),
        "boolean": pa.bool_(),
        "timestamp_ntz": pa.timestamp("us"),
    }
    return pa.schema([(name, kinds[kind]) for name, kind in columns.items()])


def refuse_a_used_folder(out: str) -> None:
    """Raises AuditError when `out` is a folder of this machine that holds something; an address is seen later."""
    if "://" not in out and Path(out).is_dir() and any(Path(out).iterdir()):
        raise AuditError(f"The folder {out} is not empty. Give a new one with --out, so that no old file stays in it.")


def write_table(rows: "DataFrame", out: str, table: str, gathered: bool = True) -> None:
    """Writes the rows of a measured table, in its columns and types.

    gathered: rows of one folder are brought together first, so that it gets one file; not for the largest tables.
    Raises AuditError when `out` has that table already.
    """
    from pyspark.errors import AnalysisException
    from pyspark.sql import functions as f

    columns = placed_columns(table)
    cut_by = [name for name in CUT_BY if name in columns]
    typed = rows.select(*(f.col(name).cast(kind).alias(name) for name, kind in columns.items()))
    if gathered and cut_by:
        typed = typed.repartition(*cut_by)
    elif gathered:
        typed = typed.coalesce(1)
    try:
        typed.write.partitionBy(*cut_by).parquet(f"{out}/{table}")
    except AnalysisException as error:
        if error.getCondition() != "PATH_ALREADY_EXISTS":
            raise
        raise AuditError(
            f"The folder {out} already holds the table {table}. Give a new folder with --out, so that no rows of an "
            "earlier run are mixed with these."
        ) from error


def read_table(spark: "SparkSession", out: str, table: str) -> "DataFrame":
    """A table written by `write_table`, in the columns of the store."""
    columns = placed_columns(table)
    schema = ", ".join(f"`{name}` {kind}" for name, kind in columns.items())
    return spark.read.schema(schema).parquet(f"{out}/{table}").select(*columns_of_tables()[table])
