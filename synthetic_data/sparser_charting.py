"""What charted time in the band is worth as charting gets sparser, against the true saturation.

Two ways to chart are tried. The charts as the nurses made them, of which one reading in n is kept; and readings without
error at fixed times, which show what the gaps between readings do by themselves. Which readings there are never depends
on their value.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.policy import Policy
from pipeline.timeline import build_timeline
from synthetic_data.hospital import ZONE

OBSERVED = ("below", "within", "above_on_oxygen", "above_on_air", "above_device_unknown")
TRUE_UNDER_TARGET = ("below", "within", "above_on_oxygen", "above_on_air")
SHOWN = ("below", "within", "above_on_oxygen")
_SEED = 1


def one_in(readings: pl.DataFrame, number: int) -> pl.DataFrame:
    """Of each stay every `number`-th reading in order of time, from a drawn one of its first `number` on."""
    stays = readings.select(pl.col("stay_id").unique().sort())
    first = np.random.default_rng([_SEED, number]).integers(0, number, stays.height)
    place = pl.col("taken_at").rank("ordinal").over("stay_id") - 1
    return (
        readings.join(stays.with_columns(first=pl.Series(first)), on="stay_id", maintain_order="left")
        .filter(place % number == pl.col("first"))
        .drop("first")
    )


def at_fixed_times(true_states: pl.DataFrame, hours: float) -> pl.DataFrame:
    """A reading of the true saturation every so many hours in each stay, the first at a drawn time in the first gap."""
    gap_s = round(hours * 3600)
    ends = pl.col("started_at") + pl.duration(seconds="seconds")
    stays = true_states.group_by("stay_id").agg(begins=pl.col("started_at").min(), ends=ends.max()).sort("stay_id")
    first = np.random.default_rng([_SEED, gap_s]).integers(0, gap_s, stays.height)
    times = (
        stays.with_columns(first_s=pl.Series(first))
        .with_columns(first=pl.col("begins") + pl.duration(seconds="first_s"))
        .select("stay_id", taken_at=pl.datetime_ranges("first", "ends", f"{gap_s}s", closed="left"))
    )
    read = times.explode("taken_at", empty_as_null=False).join_asof(
        true_states.select("stay_id", "started_at", pl.col("spo2_percent").cast(pl.Float64)),
        left_on="taken_at",
        right_on="started_at",
        by="stay_id",
        strategy="backward",
        check_sortedness=False,
    )
    return read.select("stay_id", "taken_at", "spo2_percent")


def charted_spans(frames: Mapping[str, pl.DataFrame], readings: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """The audit's own reading of these charts: one row per span of a stay.

    In: tables of the extract in canonical columns, `stays` with `as_of`, and the readings to be used.
    Out: `stay_id`, `started_at`, `seconds`, `charted` (the band state), `group`: retainers (any evidence of CO2
    retention in the stay) or others.
    """
    timeline = build_timeline({**frames, "readings": readings}, policy, ZONE)
    conditions = timeline.conditions.select(
        "condition_no",
        "stay_id",
        group=pl.when(pl.col("retainer_ever").is_null()).then(pl.lit("others")).otherwise(pl.lit("retainers")),
    )
    return timeline.spans.join(conditions, on="condition_no").select(
        "stay_id", "started_at", "seconds", "group", charted=pl.col("band_state").cast(pl.String)
    )


def seconds_side_by_side(charted: pl.DataFrame, true_states: pl.DataFrame) -> pl.DataFrame:
    """How long each pair of charted and true state held at once.

    In: `charted_spans` and `truth_states`, each with one row per stretch, the stretches of a stay not overlapping.
    Out: one row per `group`, `charted` and `true`, with `seconds`.
    """
    ended_at = pl.col("started_at") + pl.duration(seconds="seconds")
    sides = (
        charted.select("stay_id", "group", "charted", at="started_at", charted_end=ended_at),
        true_states.select("stay_id", at="started_at", true=pl.col("state").cast(pl.String), true_end=ended_at),
    )
    held = pl.concat([side.select("stay_id", "at") for side in sides]).unique().sort("stay_id", "at")
    for side in sides:
        ordered = side.sort("stay_id", "at")
        held = held.join_asof(ordered, on="at", by="stay_id", strategy="backward", check_sortedness=False)
    # No stretch begins inside another of its own side, so both hold until the first of them ends.
    seconds = (pl.min_horizontal("charted_end", "true_end") - pl.col("at")).dt.total_seconds()
    return (
        held.with_columns(seconds=seconds)
        .filter((pl.col("seconds") > 0) & pl.col("charted").is_not_null() & pl.col("true").is_not_null())
        .group_by("group", "charted", "true")
        .agg(pl.col("seconds").sum())
        .sort("group", "charted", "true")
    )


def shares(side_by_side: pl.DataFrame) -> pl.DataFrame:
    """The audit's shares beside the true ones: one row per group.

    `observed`: share of the time under a target for which a reading speaks. For each state of SHOWN, as fractions:
    `_charted`, of the observed time, as the audit gives it; `_true_observed`, the truth over that same time;
    `_true_always`, the truth over all time under a target.
    """
    seconds, is_observed = pl.col("seconds"), pl.col("charted").is_in(OBSERVED)
    has_target = pl.col("true").is_in(TRUE_UNDER_TARGET)
    observed_s = seconds.filter(is_observed).sum()
    figures = {"observed": observed_s / seconds.filter(is_observed | (pl.col("charted") == "unobserved")).sum()}
    for state in SHOWN:
        is_true = pl.col("true") == state
        figures[f"{state}_charted"] = seconds.filter(pl.col("charted") == state).sum() / observed_s
        figures[f"{state}_true_observed"] = (
            seconds.filter(is_true & is_observed).sum() / seconds.filter(has_target & is_observed).sum()
        )
        figures[f"{state}_true_always"] = seconds.filter(is_true).sum() / seconds.filter(has_target).sum()
    return side_by_side.group_by("group").agg(**figures).sort("group", descending=True)


def bias_by_charting(
    frames: Mapping[str, pl.DataFrame],
    charts: Mapping[str, pl.DataFrame],
    true_states: pl.DataFrame,
    policy: Policy,
) -> pl.DataFrame:
    """The shares for each way to chart: the columns of `shares` after `charting`, `readings`, `hours_between`.

    charts: readings by the name of the way to chart. One row per way and group; `readings` counts both groups,
    `hours_between` is the median gap between two readings of a stay.
    """
    rows = []
    for name, readings in charts.items():
        gap = pl.col("taken_at").sort().diff().dt.total_seconds()
        gaps = (
            readings.group_by("stay_id").agg(gap.drop_nulls().alias("gap")).explode("gap", empty_as_null=False)["gap"]
        )
        between = gaps.median()
        given = shares(seconds_side_by_side(charted_spans(frames, readings, policy), true_states))
        rows.append(
            given.select(
                pl.lit(name).alias("charting"),
                pl.lit(readings.height).alias("readings"),
                pl.lit(between, dtype=pl.Float64).alias("s_between") / 3600,
                pl.all(),
            ).rename({"s_between": "hours_between"})
        )
    return pl.concat(rows)
