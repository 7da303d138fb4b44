"""The commands for when one machine is not enough: to Spark and back; a part of the command line.

As there, modules that take long to import are imported by the command that needs them.
"""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import AuditError

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


_NOT_COMPLETE = "What was written so far is not complete: remove it, and give a new folder next time."


def add_commands(commands: "Commands", progress: Callable[[], Callable[[str], None]]) -> None:
    """Adds `spread`, `spark` and `gather`. progress: makes what says on stderr what is being done."""
    spread = commands.add_parser("spread", help="write a store as Parquet by site and month, for Apache Spark")
    spread.add_argument("--store", type=Path, required=True, help="the store file; nothing in it is changed")
    spread.add_argument("--out", type=Path, required=True, help="folder to write; a new one")
    spread.set_defaults(run=_spread, if_stopped=_NOT_COMPLETE)

    spark = commands.add_parser("spark", help="measure what was spread on Apache Spark: here, or on a cluster")
    spark.add_argument("folders", metavar="FOLDER", nargs="+", help="what `spread` wrote, of one store or of several")
    spark.add_argument("--out", required=True, help="folder (or address) to write; a new one")
    spark.add_argument("--policy", type=Path, metavar="FILE", help="own thresholds over the usual ones (TOML)")
    spark.add_argument("--master", metavar="URL", help="the cluster (default: this machine, all cores)")
    spark.add_argument(
        "--bucket-readings", type=int, metavar="N", help="about how many readings one worker takes at a time"
    )
    spark.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", dest="settings", help="any setting of Spark's own"
    )
    spark.set_defaults(run=_spark, progress=progress, if_stopped=_NOT_COMPLETE)

    gather = commands.add_parser("gather", help="make a store of what was spread and measured, for the reports")
    gather.add_argument("folders", type=Path, metavar="FOLDER", nargs="+", help="the folders given to `spark`")
    gather.add_argument("--measured", type=Path, required=True, metavar="DIR", help="what `spark` wrote")
    gather.add_argument("--store", type=Path, required=True, help="the store file to make; a new one")
    gather.set_defaults(run=_gather, progress=progress, if_stopped="No store was made.")

    for command in (spread, gather):
        command.add_argument("--memory-limit", metavar="SIZE", help="for all of the program, for example 4GB")


def _spread(options: argparse.Namespace) -> None:
    from pipeline.spark.spread import spread_store
    from pipeline.store import open_store

    with open_store(options.store) as connection:
        rows = spread_store(connection, options.out)
    print(f"{rows['stays']:,} stays with {rows['readings']:,} readings are spread in {options.out}")
    print(f"Next: bandaudit spark {options.out} --out DIR")


def _spark(options: argparse.Namespace) -> None:
    from pipeline.policy import read_policy
    from pipeline.spark.session import spark_session

    settings = _settings(options.settings)
    if options.bucket_readings is not None and options.bucket_readings < 1:
        raise AuditError("--bucket-readings must be a whole number from 1.")
    policy = read_policy(options.policy)
    tell = options.progress()
    tell("starting Spark")
    with spark_session(options.master, settings) as spark:
        from pipeline.spark.buckets import READINGS_IN_A_BUCKET
        from pipeline.spark.inputs import plain_path
        from pipeline.spark.outputs import refuse_a_used_folder
        from pipeline.spark.run import measure_on_spark

        refuse_a_used_folder(options.out)
        folders, out = [plain_path(folder) for folder in options.folders], plain_path(options.out)
        measure_on_spark(spark, folders, out, policy, tell, options.bucket_readings or READINGS_IN_A_BUCKET)
    print(f"Every measured table is in {options.out}, by site and month.")
    print(f"Next: bandaudit gather {' '.join(options.folders)} --measured {options.out} --store NEW_FILE")


def _settings(given: list[str]) -> dict[str, str]:
    wrong = [text for text in given if not text.partition("=")[0].startswith("spark.") or "=" not in text]
    if wrong:
        raise AuditError(
            "--set takes a setting of Spark's own and its value, for example --set spark.executor.memory=8g"
        )
    return {name: value for name, _, value in (text.partition("=") for text in given)}


def _gather(options: argparse.Namespace) -> None:
    from pipeline.spark.gather import gather_store

    gather_store(options.store, options.folders, options.measured, options.progress())
    print(f"The store is at {options.store}: loaded and measured.")
    print(f"Next: bandaudit report --store {options.store} --out FOLDER")
