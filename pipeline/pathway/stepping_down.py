"""Was oxygen lowered when the saturation was above the band, and stopped when it was no longer needed?"""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.pathway.clock import AUDITED, SPAN_STARTS, close, with_next
from pipeline.pathway.oxygen_settings import LOWERED, RAISED, oxygen_settings
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy
from pipeline.vocabulary import NEBULISER

_DECIMALS = 6


def stepped_down(batch: Batch, policy: Policy) -> pl.DataFrame:
    """How long it took until oxygen was lowered after the saturation was seen above the band.

    One row per unbroken run above the band on oxygen with a reading in it while no nebuliser was on: the first such
    reading starts the clock. It ends when oxygen is lowered (a lower best estimate, a lower flow on the same device,
    or air; not a nebuliser that ends), at once where it is lowered at that instant. No longer due when the run ends
    otherwise: a reading back in the band or below it, none for the time a reading speaks, another target or none, an
    exclusion, an unknown device. No limit.
    """
    lowerings = oxygen_settings(batch.stretches).filter(LOWERED).select(at="condition_no").collect()
    due = with_next(_runs_above(batch), lowerings, "finish", or_now=True)
    return close(due, batch.stretches, STEPS["stepped_down"], policy)


def _runs_above(batch: Batch) -> pl.DataFrame:
    """One row per run: `start` (its first reading), `until` (its end)."""
    seen = (pl.col("readings") > 0) & (pl.col("device") != NEBULISER)
    return (
        batch.timeline.spans.filter(pl.col("band_state") == "above_on_oxygen")
        .join(batch.timeline.conditions.select("condition_no", "device"), on="condition_no", maintain_order="left")
        .select(start=SPAN_STARTS, until=SPAN_STARTS + pl.col("seconds"), seen=seen)
        .with_columns(run=pl.col("start").ne_missing(pl.col("until").shift(1)).cum_sum())
        .group_by("run")
        .agg(start=pl.col("start").filter("seen").min(), until=pl.col("until").max())
        .filter(pl.col("start").is_not_null())
        .drop("run")
    )


def oxygen_stopped(batch: Batch, policy: Policy) -> pl.DataFrame:
    """How long it took until oxygen was stopped once two readings in a row showed that it was not needed.

    One row per time on the lowest oxygen with two readings in a row in or above the band, both taken on it; the
    second starts the clock. Lowest: a nasal cannula with up to low_flow_to_stop_l_min; with evidence of CO2 retention
    up to low_flow_to_stop_retainer_l_min, or a 24 % valve at its lowest printed flow. The clock ends when oxygen does.
    No longer due when a reading is below the band (two new readings start another clock), oxygen is raised or no
    longer known, the target stops, or excluded time begins. Nebulisers, and readings during them, are passed over.
    No limit.
    """
    periods = _low_oxygen(batch.stretches, policy)
    due = _two_in_a_row(batch, periods)
    return close(due, batch.stretches, STEPS["oxygen_stopped"], policy)


def _low_oxygen(stretches: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """One row per stretch on the lowest oxygen: condition_no, its period, when that ends, and when oxygen stopped."""
    valve = policy.entrainment_valves["24"]
    at_risk = pl.col("retainer").is_not_null()
    flow, most = pl.col("flow_l_min"), policy.low_flow_to_stop_l_min
    most_at_risk = pl.when(at_risk).then(policy.low_flow_to_stop_retainer_l_min).otherwise(most)
    on_cannula = (pl.col("device") == "nasal_cannula") & (flow <= most_at_risk)
    on_valve = (
        at_risk
        & (pl.col("device") == "air_entrainment_mask")
        & (pl.col("fio2").round(_DECIMALS) <= valve["printed_fraction"])
        & (flow <= valve["lowest_flow_l_min"])
    )
    low = AUDITED & pl.col("on_oxygen") & pl.col("lower_percent").is_not_null() & (on_cannula | on_valve)
    same_stay_next = pl.col("stay_no").shift(-1) == pl.col("stay_no")
    begins = pl.col("stay_no").ne_missing(pl.col("stay_no").shift(1)) | ~pl.col("low").shift(1) | RAISED
    off_next = (same_stay_next & (~pl.col("on_oxygen") & AUDITED).shift(-1)).fill_null(False)
    return (
        oxygen_settings(stretches)
        .with_columns(low=low.fill_null(False))
        .with_columns(
            begins=begins.fill_null(True),
            # Without a next setting the period lasts until the stay ends, nebulisers included.
            until=pl.when(same_stay_next).then(pl.col("condition_no").shift(-1)),
            off=pl.when(off_next).then(pl.col("condition_no").shift(-1)),
        )
        .filter("low")
        .with_columns(period=pl.col("begins").cum_sum())
        .select("condition_no", "period", pl.col("until", "off").last().over("period"))
        .collect()
    )


def _two_in_a_row(batch: Batch, periods: pl.DataFrame) -> pl.DataFrame:
    """One row per series of at least two good readings in a period: the second, and what ended the wait."""
    readings = (
        batch.timeline.spans.filter(pl.col("readings") > 0)
        .join(periods, on="condition_no", maintain_order="left")
        .with_columns(at=SPAN_STARTS, bad=pl.col("band_state") == "below")
        .with_columns(series=pl.col("bad").cum_sum().over("period"))
    )
    # A bad reading opens the series after it, so it ends the series before.
    ends = readings.filter("bad").select("period", series=pl.col("series") - 1, below="at")
    series = (
        readings.filter(~pl.col("bad"))
        .group_by("period", "series", maintain_order=True)
        .agg(
            pl.col("until", "off").first(),
            first=pl.col("at").first(),
            alike=pl.col("readings").first(),
            start=pl.col("at").get(1, null_on_oob=True),
        )
    )
    return (
        pl.concat([series.filter(pl.col("alike") == 1), _second_of_run(series.filter(pl.col("alike") > 1), batch)])
        .filter(pl.col("start").is_not_null())
        .join(ends, on=["period", "series"], how="left")
        .select("start", finish="off", until=pl.min_horizontal("until", "below"))
    )


def _second_of_run(series: pl.DataFrame, batch: Batch) -> pl.DataFrame:
    """Puts into `start` when the second of several equal readings was taken, which share one row of the timeline."""
    if series.is_empty():
        return series
    taken = batch.readings().select(start="key")
    return (
        series.drop("start")
        .sort("first")
        .join_asof(
            taken, left_on="first", right_on="start", strategy="forward", allow_exact_matches=False, coalesce=False
        )
        .select(series.columns)
    )
