"""Time on an air-entrainment valve: whether it was set up as printed, and whether its flow was enough."""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.physiology.entrainment import (
    AS_PRINTED,
    flow_meets_demand,
    likely_peak_flow_l_min,
    total_flow_l_min,
    valve_setup,
)
from pipeline.policy import Policy

VALVE = "air_entrainment_mask"
VALVE_COLUMNS = (
    "stay_id",
    "ward",
    "month",
    "started_at",
    "seconds",
    "printed_fraction",
    "flow_l_min",
    "setup",
    "total_flow_l_min",
    "respiratory_rate",
    "peak_flow_l_min",
    "meets_demand",
    "retainer",
)


def valve_stretches(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per stretch on a valve, cut where the charted respiratory rate changes: VALVE_COLUMNS.

    Excluded time is left out. A rate speaks until the next one charted, `reading_carry_hours` at the most; where none
    does, respiratory_rate is null and peak_flow_l_min that of a patient at rest, which is the least. total_flow_l_min
    and meets_demand: null where the valve is not set up as printed, since neither flow nor concentration can be
    relied on then.
    """
    on_valve = batch.stretches.filter((pl.col("device") == VALVE) & pl.col("excluded").is_null())
    # On a valve the recorded fraction is the printed concentration.
    printed, flow, rate = pl.col("fio2"), pl.col("flow_l_min"), pl.col("respiratory_rate")
    setup = valve_setup(policy, printed, flow)
    return (
        _cut_at_rates(on_valve, _rate_steps(batch, policy))
        .with_columns(
            printed_fraction=printed,
            setup=setup,
            total_flow_l_min=pl.when(setup == AS_PRINTED).then(total_flow_l_min(printed, flow)),
            peak_flow_l_min=likely_peak_flow_l_min(policy, rate),
            meets_demand=flow_meets_demand(policy, printed, flow, rate),
        )
        .sort("stay_id", "started_at")
        .select(VALVE_COLUMNS)
    )


def _rate_steps(batch: Batch, policy: Policy) -> pl.DataFrame:
    """The instants (`at`) at which the respiratory rate that speaks becomes another one, or none."""
    taken = batch.rows("breathing").sort("stay_id", "taken_at").select("stay_id", "respiratory_rate", at="taken_at")
    runs_out = pl.col("at") + pl.duration(seconds=round(policy.reading_carry_hours * 3600))
    next_at = pl.col("at").shift(-1).over("stay_id")
    silent = taken.filter(next_at.is_null() | (next_at > runs_out)).with_columns(
        at=runs_out, respiratory_rate=pl.lit(None, dtype=pl.Float64)
    )
    steps = pl.concat([taken, silent]).sort("stay_id", "at")
    return steps.filter(pl.col("respiratory_rate").ne_missing(pl.col("respiratory_rate").shift(1).over("stay_id")))


def _cut_at_rates(on_valve: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    ordered = rates.sort("at")
    inside = (
        ordered.join_asof(
            on_valve.select("stay_id", "condition_no", "started_at", "ended_at").sort("started_at"),
            left_on="at",
            right_on="started_at",
            by="stay_id",
            strategy="backward",
            check_sortedness=False,
        )
        .filter((pl.col("at") > pl.col("started_at")) & (pl.col("at") < pl.col("ended_at")))
        .select("condition_no", "at")
    )
    starts = pl.concat([on_valve.select("condition_no", at="started_at"), inside]).sort("condition_no", "at")
    ended_at = pl.col("at").shift(-1).over("condition_no").fill_null(pl.col("ended_at"))
    return (
        starts.join(on_valve.drop("started_at", "seconds"), on="condition_no", maintain_order="left")
        .with_columns(seconds=(ended_at - pl.col("at")).dt.total_seconds())
        .sort("at")
        .join_asof(ordered, on="at", by="stay_id", strategy="backward", check_sortedness=False)
        .rename({"at": "started_at"})
    )
