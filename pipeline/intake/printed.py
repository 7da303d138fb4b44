"""What a load says on the screen once it is done."""

from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import listed
from pipeline.intake.load import LoadResult
from pipeline.vocabulary import TABLES


def print_load(result: LoadResult, store: Path, *, in_part: bool) -> None:
    """Prints what became of every row, and what to do next. in_part: any table may be missing."""
    columns = ("rows_read", "rows_stored", "rows_already_stored", "rows_repeated", "rows_kept_aside")
    shared = result.files.filter(pl.col("file_name").is_duplicated())["file_name"].unique()

    def source(row: dict[str, Any]) -> str:
        return f"{row['file_name']}: {row['table_name']}" if row["file_name"] in shared else row["file_name"]

    width = max(len(source(row)) for row in result.files.iter_rows(named=True))
    print(f"{'file':<{width}}  {'read':>11} = {'stored':>11} + {'already':>9} + {'repeats':>9} + {'kept aside':>10}")
    for row in result.files.iter_rows(named=True):
        read, stored, already, repeated, aside = (f"{row[name]:,}" for name in columns)
        print(f"{source(row):<{width}}  {read:>11} = {stored:>11} + {already:>9} + {repeated:>9} + {aside:>10}")
    if result.kept_aside.height:
        print("\nKept aside (rows by their number in the file; `bandaudit export` writes all of them):")
        for row in result.kept_aside.iter_rows(named=True):
            where = f", column {row['column_name']}" if row["column_name"] else ""
            more = row["rows"] - len(row["examples"])
            rows = listed(row["examples"]) + (f" and {more:,} more" if more else "")
            print(f"  {source(row)}{where}: {row['rows']:,} x {row['reason']} (row {rows})")
    for file, columns_unused in result.unused_columns.items():
        print(f"\nColumns of {file} that the audit does not use: {listed(columns_unused)}.")
    missing = [name for name in TABLES if name not in set(result.files["table_name"])]
    if missing and not in_part:
        print(f"\nNo file for: {', '.join(missing)}. Measures that need them cannot be made.")
    if result.strangers:
        print(f"\nFiles that were not read, since their names are not those of a table: {listed(result.strangers)}.")
    for sentence in result.told:
        print(f"\n{sentence}")
    ambiguous = result.files["times_ambiguous"].sum()
    if ambiguous:
        print(f"\n{ambiguous:,} local times occur twice (clocks went back); the first was taken.")
    if result.stays_replaced:
        print(f"\n{result.stays_replaced:,} stays were replaced whole.")
    if result.outside_limits:
        print("\nThe extract as a whole is outside its limits; every page of the report will say so:")
        for line in result.outside_limits:
            print(f"  {line}")
    state = "The store is up to date." if result.changed else "These rows were loaded before: nothing has changed."
    print(f"\n{state} Stays still open end at {result.as_of:%Y-%m-%dT%H:%M:%SZ}. Zone: {result.zone}.")
    print(f"Next: bandaudit report --store {store} --out FOLDER")
