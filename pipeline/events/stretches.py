"""A batch of stays as the makers of event tables see it."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

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
