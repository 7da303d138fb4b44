"""Was a blood gas taken after oxygen was started or raised?"""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.pathway.clock import AUDITED, close, gases_in_stay, with_next
from pipeline.pathway.oxygen_settings import RAISED, oxygen_settings
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy


def gas_after_more_oxygen(batch: Batch, policy: Policy) -> pl.DataFrame:
    """Whether a gas followed each start or rise of oxygen within the limit.

    One row per instant at which the best estimate of the fraction goes up, both known, from air or from oxygen, in
    audited time and with any evidence of CO2 retention by then. A nebuliser that starts or ends is no change. The
    clock starts there and ends with the next arterial or capillary gas after it, in excluded time as well: it was
    taken. One gas can end several clocks. No longer due where the fraction is back to what it was, or oxygen ends, in
    audited time before the limit is up.
    """
    settings = oxygen_settings(batch.stretches)
    rises = settings.filter(RAISED & pl.col("retainer").is_not_null())
    due = rises.select("stay_no", "fio2_before", start="condition_no").collect()
    due = due.join(_lowered_back(due, settings), on="start", how="left")
    due = with_next(due, gases_in_stay(batch), "finish")
    return close(due, batch.stretches, STEPS["gas_after_more_oxygen"], policy)


def _lowered_back(due: pl.DataFrame, settings: pl.LazyFrame) -> pl.DataFrame:
    """When the fraction was first back to what it was before each rise, or oxygen ended."""
    later = settings.filter(AUDITED).select("stay_no", "fio2", "on_oxygen", excused="condition_no")
    back = (pl.col("fio2") <= pl.col("fio2_before")) | ~pl.col("on_oxygen")
    return (
        due.lazy()
        .join(later, on="stay_no")
        .filter((pl.col("excused") > pl.col("start")) & back)
        .group_by("start")
        .agg(pl.col("excused").min())
        .collect()
    )
