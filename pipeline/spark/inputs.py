"""Reads what `spread_store` wrote, of one store or of several, as one set of tables on Spark."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.errors import StoreError
from pipeline.spark.numbering import numbered
from pipeline.spark.spread import FACTS
from pipeline.spark.sql import columns_of_tables
from pipeline.store import SCHEMA_VERSION
from pipeline.vocabulary import TABLES

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession

# Under this name a load notes by which key it hashed.
KEY_FACT = "rekey_check"


@dataclass(frozen=True)
class Source:
    """One folder written by `spread_store`: the facts of its store; fingerprint: of what was loaded into it."""

    folder: str
    facts: Mapping[str, str]
    fingerprint: str


@dataclass(frozen=True)
class Inputs:
    """The sources in the order given, their tables as one (by name), and their time zone.

    The stays of one source keep their numbers; for those of several see `numbered`.
    """

    sources: tuple[Source, ...]
    tables: "dict[str, DataFrame]"
    zone: str


def read_inputs(spark: "SparkSession", folders: Sequence[str]) -> Inputs:
    """The tables of all folders below each other. Raises StoreError when they do not fit together.

    One time zone, one way of hashing keys, and no stay in two folders: else figures would be made of what differs.
    """
    sources = []
    for folder in folders:
        facts = _facts(spark, folder)
        ledger = _read(spark, folder, "load_ledger").select("load_no", "table_name", "file_sha256").collect()
        sources.append(Source(folder, facts, loads_fingerprint(facts, (tuple(row) for row in ledger))))
    refuse_what_does_not_fit(sources)
    if len(sources) == 1:
        tables = {table: _read(spark, folders[0], table) for table in TABLES}
    else:
        numbers = _numbers(spark, folders)
        tables = {table: _below_each_other(spark, folders, table, numbers) for table in TABLES}
    return Inputs(tuple(sources), tables, sources[0].facts["zone"])


def loads_fingerprint(facts: Mapping[str, str], ledger: Iterable[tuple[int, str, str]]) -> str:
    """Twelve hexadecimal digits that change with every load of a store. ledger: load_no, table and SHA-256 by file."""
    content = json.dumps([facts.get("data_version"), facts.get("zone"), sorted(ledger)])
    return hashlib.sha256(content.encode()).hexdigest()[:12]


def refuse_what_does_not_fit(sources: Sequence[Source]) -> None:
    """Raises StoreError when a store is of another version, or its zone or its keys are not those of the first."""
    first = sources[0]
    for source in sources:
        if source.facts.get("schema_version") != SCHEMA_VERSION:
            raise StoreError(
                f"The folder {source.folder} was spread from a store of another version of the tool; this one reads "
                f"version {SCHEMA_VERSION}. Spread the store again with this version."
            )
        for fact, words in (
            ("zone", "count their months in different zones"),
            (KEY_FACT, "hash their keys differently"),
        ):
            if source.facts.get(fact) != first.facts.get(fact):
                raise StoreError(
                    f"The stores behind {first.folder} and {source.folder} {words}, so they cannot be measured "
                    "together. Load both in the same way (--timezone, --rekey with one key file), spread them again."
                )


def _facts(spark: "SparkSession", folder: str) -> dict[str, str]:
    from pyspark.errors import AnalysisException

    try:
        rows = spark.read.parquet(f"{folder}/{FACTS}").collect()
    except AnalysisException as error:
        raise StoreError(
            f"The folder {folder} was not written by `bandaudit spread`, or not to its end. "
            "Write it first: bandaudit spread --store FILE --out FOLDER"
        ) from error
    return {row["name"]: row["value"] for row in rows}


def _read(spark: "SparkSession", folder: str, table: str) -> "DataFrame":
    schema = ", ".join(f"`{name}` {kind}" for name, kind in columns_of_tables()[table].items())
    # The files hold every column; names of folders are not read, so that no site is changed by how a name is written.
    return spark.read.schema(schema).option("recursiveFileLookup", "true").parquet(f"{folder}/{table}")


def _numbers(spark: "SparkSession", folders: Sequence[str]) -> "DataFrame":
    stays = []
    for folder in folders:
        columns = _read(spark, folder, "stays").select("stay_no", "stay_id", "patient_key", "admitted_at")
        stays.append(pl.DataFrame(pl.from_arrow(columns.toArrow())))
    refuse_repeated_stays(stays)
    return spark.createDataFrame(numbered(stays).to_arrow())


def refuse_repeated_stays(stays: Sequence[pl.DataFrame]) -> None:
    """Raises StoreError when a stay is in more than one of the frames."""
    keys = pl.concat([frame.select("stay_id") for frame in stays])["stay_id"]
    repeated = keys.filter(keys.is_duplicated()).n_unique()
    if repeated:
        raise StoreError(
            f"{repeated:,} stays are in more than one of the folders given. Each stay must come from one store only: "
            "give each folder once, or load the extracts so that no two stores hold the same stay."
        )


def _below_each_other(spark: "SparkSession", folders: Sequence[str], table: str, numbers: "DataFrame") -> "DataFrame":
    from pyspark.sql import functions as f

    columns = list(columns_of_tables()[table])
    parts = []
    for source, folder in enumerate(folders):
        of_source = numbers.filter(f.col("source") == source).select(f.col("old_no"), f.col("stay_no").alias("new_no"))
        rows = _read(spark, folder, table).join(f.broadcast(of_source), f.col("stay_no") == f.col("old_no"))
        parts.append(rows.withColumn("stay_no", f.col("new_no")).select(*columns))
    return reduce(lambda above, below: above.unionByName(below), parts)


def plain_path(folder: str | Path) -> str:
    """A folder as Spark finds it from everywhere: as it is when it is an address, else its whole path."""
    text = str(folder)
    return text if "://" in text else f"file://{Path(text).resolve()}"
