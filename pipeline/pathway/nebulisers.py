"""Were oxygen-driven nebulisers kept short in patients with evidence of CO2 retention?"""

import polars as pl

from pipeline.events.stretches import Batch
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
    records = (
        batch.rows("devices")
        .sort("stay_id", "started_at")
        .with_columns(next_at=pl.col("started_at").shift(-1).over("stay_id"))
        .filter(pl.col("device") == NEBULISER)
    )
    carried = pl.col("started_at") + pl.duration(seconds=round(policy.nebuliser_carry_minutes * 60))
    charted = pl.col("ended_at").is_not_null()
    due = records.select(
        "stay_id",
        "started_at",
        charted=charted,
        done_at=pl.when(charted).then(pl.min_horizontal("ended_at", "next_at")),
        until=pl.when(~charted).then(pl.min_horizontal(carried, "next_at")),
    )
    at_start = batch.stretches.filter(AUDITED & pl.col("retainer").is_not_null()).select("stay_id", "started_at")
    due = due.join(at_start, on=["stay_id", "started_at"], how="semi")
    closed = close(due, batch.stretches, STEPS["nebuliser_short"], policy)
    return closed.with_columns(in_time=pl.when("charted").then("in_time"))
