"""Cuts the stays into buckets, has each measured by a worker, and writes the tables that are made of their own rows.

A bucket holds stays of one site, admitted in one month: its number among them is a hash of the stay. So what a worker
writes lies in few folders, and its memory grows with the readings of a bucket, not with the hospital.
"""

from collections.abc import Callable
from functools import partial, reduce
from math import ceil
from typing import TYPE_CHECKING

from pipeline.batch import BATCH_TABLES
from pipeline.policy import Policy
from pipeline.spark.bucket import PACKED, measure_bucket, stays_with_history, unpacked
from pipeline.spark.inputs import Inputs
from pipeline.spark.outputs import arrow_schema, placed_columns, write_table
from pipeline.spark.sql import columns_of_tables
from pipeline.vocabulary import TABLES

if TYPE_CHECKING:
    import pyarrow as pa
    from pyspark.sql import DataFrame, SparkSession

READINGS_IN_A_BUCKET = 2_000_000
# How many parts work is cut into: Spark's own number, which fits no size, unless another was given.
_PARTITIONS, _PARTITIONS_OF_SPARK = "spark.sql.shuffle.partitions", "200"


def write_batch_tables(
    spark: "SparkSession",
    inputs: Inputs,
    out: str,
    policy: Policy,
    readings_in_a_bucket: int,
    tell: Callable[[str], None] = lambda _: None,
) -> None:
    """Writes every table of BATCH_TABLES into `out`: conditions and spans of the timeline, episodes and events."""
    from pyspark import StorageLevel

    tell("cutting the stays into buckets")
    stays = _in_buckets(spark, inputs, readings_in_a_bucket)
    # Computed once and kept on the disks of the workers. The other tables are read from beside the many spans.
    packed = _measured(stays, _with_history(stays, inputs, policy), inputs, policy).persist(StorageLevel.DISK_ONLY)
    others = packed.filter("of_table <> 'spans'").persist(StorageLevel.DISK_ONLY)
    try:
        for number, table in enumerate(sorted(BATCH_TABLES, key=lambda table: table != "spans"), start=1):
            tell(f"building the timeline: table {number} of {len(BATCH_TABLES)}, {table}")
            rows = _unpacked(packed if table == "spans" else others, table)
            write_table(rows, out, table, gathered=table not in ("conditions", "spans"))
    finally:
        others.unpersist()
        packed.unpersist()


def _in_buckets(spark: "SparkSession", inputs: Inputs, readings_in_a_bucket: int) -> "DataFrame":
    """The stays, each with the number of its bucket; all buckets of a site and month have about as many readings."""
    from pyspark.sql import functions as f

    stays = inputs.tables["stays"].withColumn("admitted_in", f.date_format("admitted_at", "yyyy-MM"))
    counted = inputs.tables["readings"].groupBy("stay_no").count()
    readings = f.coalesce(f.sum("count"), f.lit(0)).cast("bigint")
    groups = (
        stays.join(counted, "stay_no", "left").groupBy("site", "admitted_in").agg(readings.alias("readings")).collect()
    )
    rows, first = [], 0
    for group in sorted(groups, key=lambda row: (row["site"] or "", row["admitted_in"])):
        buckets = max(1, ceil(group["readings"] / readings_in_a_bucket))
        rows.append((group["site"], group["admitted_in"], first, buckets))
        first += buckets
    if not rows:
        return stays.drop("admitted_in").withColumn("bucket", f.lit(0).cast("bigint"))
    if spark.conf.get(_PARTITIONS) == _PARTITIONS_OF_SPARK:
        spark.conf.set(_PARTITIONS, str(max(first, spark.sparkContext.defaultParallelism)))
    cut = spark.createDataFrame(rows, "site string, admitted_in string, first bigint, buckets bigint")
    return (
        stays.alias("stays")
        .join(
            f.broadcast(cut.alias("cut")),
            f.col("stays.site").eqNullSafe(f.col("cut.site"))
            & (f.col("stays.admitted_in") == f.col("cut.admitted_in")),
        )
        .withColumn("bucket", f.col("first") + f.pmod(f.xxhash64("stay_id"), f.col("buckets")))
        .select("stays.*", "bucket")
        .drop("admitted_in")
    )


def _with_history(stays: "DataFrame", inputs: Inputs, policy: Policy) -> "DataFrame":
    """Adds earlier_retention. It looks at all stays of a patient, so here patients are hashed, not stays."""
    from pyspark.sql import functions as f

    parts = stays.sparkSession.sparkContext.defaultParallelism * 4
    # Made anew on either side: Spark takes two columns of one origin for the same one.
    part = f.pmod(f.xxhash64("patient_key"), f.lit(parts)).alias("part")
    of_patient = stays.select("stay_no", "patient_key", "admitted_at")
    gases = inputs.tables["gases"].join(of_patient, "stay_no")
    known = (
        of_patient.select("*", part)
        .groupBy("part")
        .cogroup(gases.select("stay_no", "taken_at", "sample_type", "pco2_kpa", part).groupBy("part"))
        .applyInArrow(partial(stays_with_history, policy=policy), "stay_no int, earlier_retention boolean")
    )
    return stays.join(known, "stay_no")


def _measured(stays: "DataFrame", stays_with_history: "DataFrame", inputs: Inputs, policy: Policy) -> "DataFrame":
    from pyspark.sql import functions as f

    place = f.broadcast(stays.select("stay_no", f.col("bucket").alias("bucket")))
    # Made anew, see `_with_history`.
    readings = inputs.tables["readings"].drop("source").join(place, "stay_no").withColumn("bucket", f.col("bucket") + 0)
    columns = {table: list(columns_of_tables()[table]) for table in TABLES if table != "readings"}
    columns["stays"].append("earlier_retention")
    records = [
        rows.withColumn("of_table", f.lit(table))
        for table, rows in (
            ("stays", stays_with_history),
            *((table, inputs.tables[table].join(place, "stay_no")) for table in columns if table != "stays"),
        )
    ]
    below_each_other = reduce(lambda above, below: above.unionByName(below, allowMissingColumns=True), records)
    return (
        readings.groupBy("bucket")
        .cogroup(below_each_other.groupBy("bucket"))
        .applyInArrow(partial(measure_bucket, columns=columns, policy=policy, zone=inputs.zone), PACKED)
    )


def _unpacked(packed: "DataFrame", table: str) -> "DataFrame":
    columns = placed_columns(table)
    schema: pa.Schema = arrow_schema(columns)
    return (
        packed.filter(packed["of_table"] == table)
        .select("packed")
        .mapInArrow(partial(unpacked, schema=schema), ", ".join(f"`{name}` {kind}" for name, kind in columns.items()))
    )
