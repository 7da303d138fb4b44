"""A batch of stays as the makers of event tables see it."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.layers import epoch_s, stay_key
from pipeline.timeline import Timeline


@dataclass(frozen=True)
class Batch:
    """Some stays, whole: their timeline, its stretches, and their rows of the store's tables by table name.

    stretches: see `stretches` in `episodes.py`. frames: `stays` and `gases` and so on with stay_no; `breathing` has the
    readings with a respiratory rate (stay_no, taken_at, respiratory_rate) of stays with an air-entrainment mask.
    zone: the time zone of the clock on the wall.
    """

    timeline: Timeline
    stretches: pl.DataFrame
    frames: Mapping[str, pl.DataFrame]
    zone: str = "UTC"

    def rows(self, table: str) -> pl.DataFrame:
        """The rows of a table with their stay_id."""
        return self.frames[table].join(self.frames["stays"].select("stay_no", "stay_id"), on="stay_no")

    def readings(self) -> pl.DataFrame:
        """One row per reading, in order: the instant `key` (see `stay_key`) and spo2_percent."""
        taken = self.frames["readings"].select(stay_key(epoch_s("taken_at")), "spo2_percent")
        return taken if taken["key"].is_sorted() else taken.sort("key")


def stay_months(conditions: pl.DataFrame) -> pl.DataFrame:
    """One row per condition, as they come: condition_no, stay_id, month, and `stay_month`.

    stay_month: the number of stay and month together, from 0, in order of stay_id and month. One number is quicker to
    add up and to sort by than two texts.
    """
    # The conditions of a stay and month follow each other.
    begins = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift(1)) for name in ("stay_id", "month"))
    found = conditions.select("condition_no", "stay_id", "month", run=begins.cum_sum())
    numbers = found.unique("run").sort("stay_id", "month").select("run", stay_month=pl.int_range(pl.len()))
    return found.join(numbers, on="run", how="left", maintain_order="left").drop("run")
