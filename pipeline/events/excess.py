"""Runs above the band on oxygen: how far above for how long, the oxygen that flowed, and the gases around them."""

from datetime import timedelta

import polars as pl

from pipeline.episodes import acidosis_after
from pipeline.events.gas_pairs import gas_pairs
from pipeline.events.stretches import Batch
from pipeline.physiology.entrainment import oxygen_flow_needed_l_min
from pipeline.policy import Policy

EXCESS_COLUMNS = (
    "stay_id",
    "ward",
    "month",
    "started_at",
    "ended_at",
    "above_s",
    "percent_hours",
    "highest_above_points",
    "upper_percent",
    "device",
    "litres",
    "litres_unknown_s",
    "retainer",
    "retainer_ever",
    "gas_before_at",
    "gas_before_pco2_kpa",
    "gas_before_ph",
    "gas_after_at",
    "gas_after_pco2_kpa",
    "gas_after_ph",
    "pco2_change_kpa",
    "ph_change",
    "acidosis_after",
)
# There the flow charted is that of the mixed gas; everywhere else it is of oxygen (common practice, no source).
MIXED_GAS_DEVICE = "high_flow_nasal"


def excess_runs(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per run `[started_at, ended_at)` above the band on oxygen, without a break: EXCESS_COLUMNS.

    Any other state of the band, excluded time included, ends a run; a change of ward, month, device or limit does
    not. percent_hours: points above the upper limit in force x hours, added up. litres: oxygen flow x time where it
    is known, on high-flow nasal oxygen the oxygen part of the mixed gas; all the oxygen that flowed, not only what
    was too much. For the gases see `gas_pairs`: the later one may lie in the run or up to the hours of the policy
    behind it. acidosis_after: see `acidosis_after` of the episodes.
    """
    runs = _runs(_above(batch)).with_columns(look_until=pl.col("ended_at") + timedelta(hours=policy.gas_pair_hours))
    return (
        gas_pairs(runs, batch, policy, at="started_at", until="look_until")
        .with_columns(acidosis_after=acidosis_after(policy))
        .select(EXCESS_COLUMNS)
    )


def _above(batch: Batch) -> pl.DataFrame:
    """The spans above the band on oxygen, in order, with their conditions."""
    conditions = batch.timeline.conditions.select(
        "condition_no",
        "stay_id",
        "ward",
        "month",
        "device",
        "flow_l_min",
        "fio2",
        "upper_percent",
        "retainer",
        "retainer_ever",
    )
    seconds = pl.col("seconds").cast(pl.Int64)
    return (
        batch.timeline.spans.filter(pl.col("band_state") == "above_on_oxygen")
        .join(conditions, on="condition_no")
        .sort("condition_no", "started_at")
        .with_columns(
            seconds=seconds,
            ended_at=pl.col("started_at") + pl.duration(seconds=seconds),
            points=pl.col("spo2_percent") - pl.col("upper_percent"),
            oxygen_l_min=pl.when(pl.col("device") == MIXED_GAS_DEVICE)
            .then(oxygen_flow_needed_l_min(pl.col("fio2"), pl.col("flow_l_min")))
            .otherwise(pl.col("flow_l_min")),
        )
    )


def _runs(spans: pl.DataFrame) -> pl.DataFrame:
    is_apart = pl.col("started_at").ne_missing(pl.col("ended_at").shift(1))
    begins = pl.col("stay_id").ne_missing(pl.col("stay_id").shift(1)) | is_apart
    seconds, flow = pl.col("seconds"), pl.col("oxygen_l_min")
    return (
        spans.with_columns(run=begins.cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col(
                "stay_id", "ward", "month", "started_at", "upper_percent", "device", "retainer", "retainer_ever"
            ).first(),
            pl.col("ended_at").last(),
            above_s=seconds.sum(),
            percent_hours=(pl.col("points") * seconds).sum() / 3600,
            highest_above_points=pl.col("points").max(),
            litres=pl.when(flow.is_not_null().any()).then((flow * seconds).sum() / 60),
            litres_unknown_s=seconds.filter(flow.is_null()).sum(),
        )
    )
