"""What cannot be told because a table was never loaded: said in words, and left empty instead of shown as zero."""

from collections.abc import Collection

import duckdb
import polars as pl

from pipeline.vocabulary import TABLES

_UNTOLD = {
    "devices": "who was on oxygen, so time above the band on oxygen and episodes of high oxygen",
    "gases": "what blood gases showed, and whether one was repeated in time",
    "wards": "anything by ward",
    "flags": "which time to leave out, and previous CO2 retention",
}


def absent_tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    """The tables of the extract of which no load has stored a row, in the extract's order."""
    stored = con.execute("select distinct table_name from load_ledger where rows_stored > 0").fetchall()
    return [name for name in TABLES if (name,) not in stored]


def in_words(absent: Collection[str]) -> str:
    """One remark for the first screen; empty when every table was loaded."""
    told = [f"{_UNTOLD[name]} (no {name} were loaded)" for name in absent if name in _UNTOLD]
    return f"Could not be told: {'; '.join(told)}." if told else ""


def left_empty(frame: pl.DataFrame, absent: Collection[str]) -> pl.DataFrame:
    """`month_summary` or `month_changes` with null for every figure above the band on oxygen, if no device is known.

    Without device records nobody counts as on oxygen: a share of nothing is not a finding.
    """
    if "devices" not in absent:
        return frame
    untold = pl.col("^.*share_above_on_oxygen.*$")
    return frame.with_columns(pl.when(False).then(untold).name.keep())
