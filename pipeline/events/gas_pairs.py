"""The blood gases around something that happened: the last one before it and the first one after it."""

from datetime import timedelta

import polars as pl

from pipeline.episodes import gases_around
from pipeline.events.stretches import Batch
from pipeline.layers import epoch_s, stay_key
from pipeline.policy import Policy

_AFTER = ("gas_after_at", "gas_after_pco2_kpa", "gas_after_ph")
_DECIMALS = 6


def placed_gases(batch: Batch) -> pl.DataFrame:
    """Every gas within its stay, in order, beside the columns of the stretch in which it was taken."""
    return (
        batch.frames["gases"]
        .with_columns(stay_key(epoch_s("taken_at")))
        .drop("stay_no")
        .sort("key")
        .join_asof(batch.stretches, left_on="key", right_on="condition_no", strategy="backward", coalesce=False)
        # In another stretch, or another stay, where its own had ended.
        .filter(pl.col("key") < pl.col("condition_no") + pl.col("seconds"))
    )


def gas_pairs(events: pl.DataFrame, batch: Batch, policy: Policy, at: str, until: str) -> pl.DataFrame:
    """Adds the gases around `at` that may be compared, and how pCO2 and pH differ between them.

    gas_before: the last one at or before `at`, `gas_pair_hours` before it at the most. gas_after: the first one after
    `at` and not after `until`. Arterial and capillary gases outside excluded time; both limits included. The first
    gas counts even where its pCO2 or pH is missing: a later one is further from what happened.
    Out: the events by stay and `at`, with pco2_change_kpa and ph_change (after less before, null without both values)
    beside what `gases_around` adds.
    """
    samples = placed_gases(batch).filter(pl.col("excluded").is_null())
    too_early = pl.col(at) - pl.col("gas_before_at") > timedelta(hours=policy.gas_pair_hours)
    too_late = pl.col("gas_after_at") > pl.col(until)
    before = [name.replace("after", "before") for name in _AFTER]
    # Rounded, so that 10.03 less 9.50 is 0.53 and not a hair under it.
    return (
        gases_around(events, samples, at)
        .with_columns(
            *(pl.when(~too_early).then(pl.col(name)).alias(name) for name in before),
            *(pl.when(~too_late).then(pl.col(name)).alias(name) for name in _AFTER),
        )
        .with_columns(
            pco2_change_kpa=(pl.col("gas_after_pco2_kpa") - pl.col("gas_before_pco2_kpa")).round(_DECIMALS),
            ph_change=(pl.col("gas_after_ph") - pl.col("gas_before_ph")).round(_DECIMALS),
        )
        .sort("stay_id", at)
    )
