"""What was read, and what was kept aside and why. Whole loads: `load_verdicts.py`; time not seen: `unseen.py`."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.intake.check import RULES
from reports import wording

EXAMPLES = 5

# What the person who makes the extract can do about each rule.
ADVICE: Mapping[str, str] = {
    "missing_required": "Fill the cell at the source, or leave the row out if it was never charted.",
    "not_a_number": "Look for units, signs or words in the column; export the bare number.",
    "not_a_time": "Export date and time of day together, as YYYY-MM-DD HH:MM.",
    "local_time_does_not_exist": "Export times with their offset, or correct the hour of the spring change.",
    "out_of_range": "Look the rows up: a slip of the keyboard, or a column in another unit.",
    "unknown_code": "Translate the code in the mapping file, or add it to the list agreed.",
    "ends_before_it_starts": "Look the rows up: start and end may be exchanged.",
    "wrong_number_of_cells": "Look for a separator inside a cell; quote such cells.",
    "unknown_stay": "Include the stay in the table of stays, with the same cut-off for all tables.",
    "outside_the_stay": "Compare with admission and discharge; look for late entries and wrong keys.",
    "conflicting_repeat": "Decide at the source which of the rows is right; all of them were kept aside.",
    "not_json": "Look whether the file was cut or changed on its way; export it again.",
    "not_a_resource": "Ask whoever exports the resources which element is not built as FHIR R4 says.",
    "not_valid_status": "Nothing, if the entries were rightly cancelled or entered in error.",
    "not_inpatient": "Nothing, if these encounters are clinics or home visits; else correct their class.",
    "no_end": "Look the encounters up: a finished one without an end cannot be audited.",
    "not_by_oximeter": "Nothing: the audit judges oximeter readings; the gas itself is among the gases.",
    "unknown_unit": "Export the UCUM code of the unit beside the value.",
    "no_value": "Nothing, if nothing was measured; else export the value.",
}
NO_ADVICE = "Look the rows up by number and correct them at the source."


@dataclass(frozen=True)
class Read:
    """The rows of one table over all its files and loads: read, and what became of them."""

    table: str
    files: int
    read: int
    stored: int
    stored_already: int
    repeated: int
    kept_aside: int


@dataclass(frozen=True)
class Kept:
    """Rows of one file kept aside for one reason, with the first row numbers; never their values."""

    table: str
    file: str
    column: str
    reason: str
    rows: int
    examples: str


@dataclass(frozen=True)
class Reason:
    """One rule that rows broke: what it means and what to do."""

    meaning: str
    advice: str
    rows: int


def rows_read(ledger: pl.DataFrame) -> list[Read]:
    """One row per table of the load ledger, in alphabetical order."""
    columns = ("rows_read", "rows_stored", "rows_already_stored", "rows_repeated", "rows_kept_aside")
    tables = ledger.group_by("table_name").agg(pl.len(), *(pl.col(name).sum() for name in columns))
    return [Read(*row) for row in tables.sort("table_name").rows()]


def kept_aside(rejected: pl.DataFrame) -> tuple[list[Kept], list[Reason]]:
    """The rows kept aside by file and reason, and each reason in words, most rows first."""
    kept = [
        Kept(
            row["table_name"],
            row["file_name"],
            row["column_name"] or wording.NOTHING,
            row["reason"],
            row["rows"],
            _examples(row["examples"], row["rows"]),
        )
        for row in rejected.rows(named=True)
    ]
    by_rule = rejected.group_by("rule", maintain_order=True).agg(pl.col("rows").sum(), pl.col("reason").first())
    reasons = [
        Reason(RULES.get(row["rule"], row["reason"]), ADVICE.get(row["rule"], NO_ADVICE), row["rows"])
        for row in by_rule.sort("rows", descending=True, maintain_order=True).rows(named=True)
    ]
    return kept, reasons


def _examples(numbers: list[int], rows: int) -> str:
    shown = ", ".join(f"{number:,}" for number in numbers)
    more = rows - len(numbers)
    return f"{shown} and {more:,} more" if more > 0 else shown
