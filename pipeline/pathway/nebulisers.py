"""Were oxygen-driven nebulisers kept short in patients with evidence of CO2 retention?"""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.layers import epoch_s, stay_key
from pipeline.pathway.clock import AUDITED, close
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy
from pipeline.vocabulary import NEBULISER


def nebuliser_short(batch: Batch, policy: Policy) -> pl.DataFrame:
    """Whether each oxygen-driven nebuliser ended within the limit.

    One row per nebuliser record that starts in audited time with any evidence of CO2 retention by then. The clock
    starts with the record and ends with its charted end, or with the next device record where that comes first. Without
    a charted end nothing can be told: not done, in_time null, and the minutes are those the timeline gives it, to the
    next record or nebuliser_carry_minutes.
    """
    starts, ends = stay_key(epoch_s("started_at")), stay_key(epoch_s("ended_at"))
    records = (
        batch.frames["devices"]
        .select("stay_no", "device", starts.alias("start"), ends.alias("charted_end"))
        .sort("start")
        # The next record of the stay; that of a later stay lies behind every end.
        .with_columns(next_start=pl.col("start").shift(-1))
        .filter(pl.col("device") == NEBULISER)
    )
    carried = pl.col("start") + round(policy.nebuliser_carry_minutes * 60)
    charted = pl.col("charted_end").is_not_null()
    due = records.select(
        "start",
        charted=charted,
        finish=pl.when(charted).then(pl.min_horizontal("charted_end", "next_start")),
        until=pl.when(~charted).then(pl.min_horizontal(carried, "next_start")),
    )
    at_start = batch.stretches.lazy().filter(AUDITED & pl.col("retainer").is_not_null()).select(start="condition_no")
    due = due.join(at_start.collect(), on="start", how="semi")
    closed = close(due, batch.stretches, STEPS["nebuliser_short"], policy)
    return closed.with_columns(in_time=pl.when("charted").then("in_time"))
