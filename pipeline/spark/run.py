"""The main flow on Spark: from the Parquet of one or more stores to every measured table as Parquet.

The timeline, the episodes and the events are made by the function that makes them locally; the SQL of sql/derived/ and
sql/measures/ is the same text, translated; what pools patients is done by the local functions on the rows per stay.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import polars as pl
from sqlglot.errors import SqlglotError

from pipeline.batch import BATCH_TABLES
from pipeline.catalogue import fingerprint, read_measures, refuse
from pipeline.events.choices import choices
from pipeline.measure import DERIVED_TABLES
from pipeline.measure_file import Measure
from pipeline.measure_rows import measure_rows_query
from pipeline.measure_select import Fault
from pipeline.policy import Policy
from pipeline.spark.buckets import READINGS_IN_A_BUCKET, write_batch_tables
from pipeline.spark.inputs import Inputs, read_inputs
from pipeline.spark.outputs import RUN_TABLE, arrow_schema, placed_columns, read_table, write_table
from pipeline.spark.pooled import pooled_tables
from pipeline.spark.sql import columns_of_tables, on_spark, returned_columns
from pipeline.store import sql_text, tool_version

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession


def measure_on_spark(
    spark: "SparkSession",
    folders: Sequence[str],
    out: str,
    policy: Policy,
    tell: Callable[[str], None] = lambda _: None,
    readings_in_a_bucket: int = READINGS_IN_A_BUCKET,
) -> None:
    """Measures what `spread_store` wrote into `folders`, and writes every measured table into a new folder `out`.

    The rows are those that `measure_store` gives for the same extracts, cell by cell. Raises StoreError when the
    folders do not fit together, AuditError when `out` is not new, MeasureFileError as there.
    """
    from pyspark import StorageLevel

    measures = read_measures()
    inputs = read_inputs(spark, folders)
    _refuse_what_spark_cannot(spark, measures)
    write_batch_tables(spark, inputs, out, policy, readings_in_a_bucket, tell)
    _write_policy_tables(spark, out, policy)
    for table, rows in inputs.tables.items():
        rows.createOrReplaceTempView(table)
    for table in (*BATCH_TABLES, "policy_values", "sensitivity_choices"):
        read_table(spark, out, table).createOrReplaceTempView(table)
    # Nearly every measure adds up the timeline: its two parts are joined once.
    timeline = spark.sql(on_spark(sql_text("tables", "timeline"))).persist(StorageLevel.DISK_ONLY)
    timeline.createOrReplaceTempView("timeline")
    try:
        for table in DERIVED_TABLES:
            tell(f"adding up: {table}")
            _write_by_stay(spark, spark.sql(on_spark(sql_text("derived", table))), out, table)
            read_table(spark, out, table).createOrReplaceTempView(table)
            if table == "stay_month_time":
                spark.sql(on_spark(sql_text("tables", "stays_by_group"))).createOrReplaceTempView("stays_by_group")
        tell(f"measuring: {len(measures)} measures")
        _write_by_stay(spark, _measure_rows(spark, measures), out, "measure_rows")
    finally:
        timeline.unpersist()
    tell("pooling by month, ward and group")
    for table, frame in pooled_tables(spark, out, measures).items():
        write_table(_on_spark(spark, frame, table), out, table)
    _write_run(spark, inputs, out, policy, measures)


def _refuse_what_spark_cannot(spark: "SparkSession", measures: Sequence[Measure]) -> None:
    """Raises MeasureFileError for every measure that Spark cannot run, before anything is computed."""
    from pyspark.errors import PySparkException

    for table, columns in columns_of_tables().items():
        nothing = ", ".join(f"cast(null as {kind}) as `{name}`" for name, kind in columns.items())
        spark.sql(f"select {nothing} where false").createOrReplaceTempView(table)
    faults = []
    for measure in measures:
        try:
            spark.sql(on_spark(measure_rows_query(measure, returned_columns(measure.sql))))
        except (PySparkException, SqlglotError) as error:
            what = " ".join(str(error).split(". ")[0].split())
            faults.append(Fault(measure.file, measure.first_line, f"cannot run on Spark: {what}"))
    refuse(faults)


def _write_policy_tables(spark: "SparkSession", out: str, policy: Policy) -> None:
    values = [(entry.name, float(getattr(policy, entry.name)), entry.unit) for entry in policy.parameters]
    write_table(spark.createDataFrame(values, "name string, value double, unit string"), out, "policy_values")
    write_table(_on_spark(spark, choices(policy), "sensitivity_choices"), out, "sensitivity_choices")


def _on_spark(spark: "SparkSession", frame: pl.DataFrame, table: str) -> "DataFrame":
    schema = arrow_schema(columns_of_tables()[table])
    return spark.createDataFrame(frame.to_arrow().select(schema.names).cast(schema))


def _write_by_stay(spark: "SparkSession", rows: "DataFrame", out: str, table: str) -> None:
    """Writes a table; where it has a row per stay or event, with the site of the stay to place it by."""
    wanted = set(placed_columns(table)) - set(columns_of_tables()[table])
    if wanted:
        rows = rows.join(spark.table("stays").select("stay_id", *wanted), "stay_id", "left")
    write_table(rows, out, table)


def _measure_rows(spark: "SparkSession", measures: Sequence[Measure]) -> "DataFrame":
    """The rows of all measures below each other, in one query: Spark then works on many of them at a time."""
    queries = (on_spark(measure_rows_query(measure, returned_columns(measure.sql))) for measure in measures)
    return spark.sql("\nunion all\n".join(f"({query})" for query in queries))


def _write_run(spark: "SparkSession", inputs: Inputs, out: str, policy: Policy, measures: Sequence[Measure]) -> None:
    facts = [
        ("policy_fingerprint", policy.fingerprint),
        ("measures_fingerprint", fingerprint(measures)),
        ("tool_version", tool_version()),
        *((f"measure {measure.id}", fingerprint([measure])) for measure in measures),
        *((f"source_{number}", source.fingerprint) for number, source in enumerate(inputs.sources, start=1)),
    ]
    spark.createDataFrame(facts, "name string, value string").coalesce(1).write.parquet(f"{out}/{RUN_TABLE}")
