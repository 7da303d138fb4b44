"""The clocks of the pathway: when a step became due, when it was done, and how long that took.

Excluded time never starts a clock and is not on it: minutes are the audited time between two instants. All frames
here hold one row per step due; the stretches are those of a batch.

An instant is one integer with the stay in it (`stay_key`); a stretch starts at its condition_no. So the instants of
later stays lie behind the end of this one, and what is found there did not happen in this stay.
"""

import polars as pl

from pipeline.events.gas_pairs import placed_gases
from pipeline.events.stretches import Batch
from pipeline.layers import SECONDS_BITS, epoch_s, time_of
from pipeline.pathway.steps import Step
from pipeline.policy import Policy
from pipeline.vocabulary import RETENTION_SAMPLE_TYPES

STEP_COLUMNS = (
    "stay_id",
    "ward",
    "month",
    "step",
    "started_at",
    "done_at",
    "minutes",
    "done",
    "limit_minutes",
    "in_time",
    "retainer",
)
AUDITED = pl.col("excluded").is_null()
# When a stretch ends, and when a span starts.
ENDS = pl.col("condition_no") + pl.col("seconds")
SPAN_STARTS = pl.col("condition_no") // 2**SECONDS_BITS * 2**SECONDS_BITS + epoch_s("started_at")


def first_in_stay(stretches: pl.DataFrame, holds: pl.Expr) -> pl.DataFrame:
    """One row per stay, in order: `start` of its first audited stretch of which `holds` is true."""
    held = stretches.lazy().filter(AUDITED & holds).select("stay_no", start="condition_no")
    return held.filter(pl.col("stay_no").ne_missing(pl.col("stay_no").shift(1))).select("start").collect()


def with_first(due: pl.DataFrame, stretches: pl.DataFrame, holds: pl.Expr) -> pl.DataFrame:
    """Adds `finish`: the first instant from `start` on at which `holds` is true, if it comes in the stay at all.

    It is the start itself where it held already.
    """
    holding = stretches.lazy().filter(holds).select(holds_from="condition_no", holds_until=ENDS).collect()
    return (
        due.sort("start")
        # Stretches do not overlap: the one that ends next after the start is the first to hold.
        .join_asof(
            holding.set_sorted("holds_until"),
            left_on="start",
            right_on="holds_until",
            strategy="forward",
            allow_exact_matches=False,
        )
        .with_columns(finish=pl.when(pl.col("holds_from").is_not_null()).then(pl.max_horizontal("start", "holds_from")))
        .drop("holds_from", "holds_until", strict=False)
    )


def with_next(due: pl.DataFrame, events: pl.DataFrame, name: str, or_now: bool = False) -> pl.DataFrame:
    """Adds `name`: the first `at` of the events after `start` (or_now: or at it), if it comes in the stay at all."""
    return due.sort("start").join_asof(
        events.select(pl.col("at").alias(name)).sort(name),
        left_on="start",
        right_on=name,
        strategy="forward",
        allow_exact_matches=or_now,
        coalesce=False,
    )


def gases_in_stay(batch: Batch) -> pl.DataFrame:
    """The arterial and capillary gases within their stay, in order: stay_no, at, ph, pco2_kpa and excluded then."""
    return (
        placed_gases(batch)
        .filter(pl.col("sample_type").is_in(RETENTION_SAMPLE_TYPES))
        .select("stay_no", "ph", "pco2_kpa", "excluded", at="key")
    )


def close(due: pl.DataFrame, stretches: pl.DataFrame, step: Step, policy: Policy) -> pl.DataFrame:
    """Says of each step due whether it was done, after how many audited minutes, and whether in time.

    In: instants `start`, `finish` (null: never), and where the step has them `until`, from when on it was no longer
    due, and `excused`, the same but only where it comes before the limit is up. What was done at that very instant
    was done.
    Out: the columns of `pathway_steps` and any other column of `due`. in_time is null without a limit, and where
    the wait ended undone before the limit was passed (discharge, no longer due): then it cannot be told.
    """
    limit = None if step.limit is None else float(getattr(policy, step.limit))
    clock = _clock(stretches)
    waits = _with_audited_s(due, "start", clock)
    waits = waits.with_columns(
        pl.lit(None, pl.Int64).alias(name) for name in ("until", "excused") if name not in due.columns
    )
    if limit is not None:
        waits = _with_audited_s(waits, "excused", clock.select(_CLOCK))
        early = pl.col("excused_s") - pl.col("start_s") < limit * 60
        waits = waits.with_columns(excused=pl.when(early).then("excused"))
    ends = pl.min_horizontal("until", "excused", "stay_ends")
    waits = waits.with_columns(done=(pl.col("finish") <= ends).fill_null(False))
    waits = waits.with_columns(closed=pl.when("done").then("finish").otherwise(ends))
    waits = _with_audited_s(waits, "closed", clock.select(_CLOCK))
    seconds = pl.col("closed_s") - pl.col("start_s")
    in_time = pl.lit(None, pl.Boolean)
    if limit is not None:
        too_long = seconds > limit * 60
        in_time = pl.when(pl.col("done") | too_long).then(~too_long)
    return waits.with_columns(
        step=pl.lit(step.id),
        started_at=time_of(pl.col("start")),
        done_at=pl.when("done").then(time_of(pl.col("finish"))),
        minutes=seconds / 60,
        limit_minutes=pl.lit(limit, pl.Float64),
        in_time=in_time,
    )


_CLOCK = ("condition_no", "runs", "before_s")


def _clock(stretches: pl.DataFrame) -> pl.DataFrame:
    """The stretches with `runs`, `before_s` (audited seconds before each, of earlier stays as well) and `stay_ends`."""
    counted = pl.when(AUDITED).then("seconds").otherwise(0)
    is_last = pl.col("stay_no").ne_missing(pl.col("stay_no").shift(-1))
    return stretches.select(
        "condition_no",
        "stay_id",
        "ward",
        "month",
        "retainer",
        runs=AUDITED,
        before_s=counted.cum_sum() - counted,
        stay_ends=pl.when(is_last).then(ENDS).backward_fill(),
    )


def _with_audited_s(rows: pl.DataFrame, instant: str, clock: pl.DataFrame) -> pl.DataFrame:
    """Adds `<instant>_s`, the audited seconds up to that instant, and whatever else `clock` has of its stretch."""
    into = pl.col(instant) - pl.col("condition_no")
    return (
        rows.sort(instant)
        .join_asof(clock, left_on=instant, right_on="condition_no", strategy="backward", coalesce=False)
        .with_columns((pl.col("before_s") + pl.when("runs").then(into).otherwise(0)).alias(f"{instant}_s"))
        .drop(_CLOCK)
    )
