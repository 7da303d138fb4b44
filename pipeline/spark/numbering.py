"""Which number a stay has when several stores are measured as one: as if loaded into one, one after the other."""

from collections.abc import Sequence

import polars as pl


def numbered(stays: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The numbers of the stays of several stores, so that all stays of a patient stand together.

    In: one frame per store, in order, with one row per stay: stay_no, stay_id, patient_key, admitted_at. Out: one row
    per stay of each: source (from 0), old_no and stay_no. The first store keeps its numbers. For each later one, the
    stays of its patients, those of earlier stores among them, go behind all others by patient, admission and stay:
    the rule of `pipeline/intake/storing.py`.
    """
    together = _of_source(stays[0], 0)
    for source, more in enumerate(stays[1:], start=1):
        highest = together["stay_no"].max() or 0
        both = pl.concat([together, _of_source(more, source)])
        moves = pl.col("patient_key").is_in(more["patient_key"].unique().implode())
        behind = both.filter(moves).sort("patient_key", "admitted_at", "stay_id").with_row_index("place", offset=1)
        moved = behind.with_columns(stay_no=(pl.lit(highest) + pl.col("place")).cast(pl.Int32)).drop("place")
        together = pl.concat([both.filter(~moves), moved])
    return together.select("source", "old_no", "stay_no")


def _of_source(stays: pl.DataFrame, source: int) -> pl.DataFrame:
    number = pl.col("stay_no").cast(pl.Int32)
    return stays.select(
        "stay_id", "patient_key", "admitted_at", source=pl.lit(source, pl.Int32), old_no=number, stay_no=number
    )
