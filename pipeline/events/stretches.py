"""A batch of stays as the makers of event tables see it."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.timeline import Timeline


@dataclass(frozen=True)
class Batch:
    """Some stays, whole: their timeline, its stretches, and their rows of the store's tables by table name.

    stretches: see `stretches`. frames: `stays` and `gases` and so on with stay_no; `breathing` has the readings with a
    respiratory rate (stay_no, taken_at, respiratory_rate) of stays with an air-entrainment mask.
    """

    timeline: Timeline
    stretches: pl.DataFrame
    frames: Mapping[str, pl.DataFrame]

    def rows(self, table: str) -> pl.DataFrame:
        """The rows of a table with their stay_id."""
        return self.frames[table].join(self.frames["stays"].select("stay_no", "stay_id"), on="stay_no")


def stretches(timeline: Timeline) -> pl.DataFrame:
    """One row per condition of a timeline: its columns, `[started_at, ended_at)` and seconds, by stay and time."""
    lengths = timeline.spans.group_by("condition_no").agg(
        started_at=pl.col("started_at").min(), seconds=pl.col("seconds").cast(pl.Int64).sum()
    )
    return (
        timeline.conditions.join(lengths, on="condition_no", how="left")
        .sort("condition_no")
        .with_columns(ended_at=pl.col("started_at") + pl.duration(seconds=pl.col("seconds")))
    )
