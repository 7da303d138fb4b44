"""The clocks of the pathway: when a step became due, when it was done, and how long that took.

Excluded time never starts a clock and is not on it: minutes are the audited time between two instants. All frames
here hold one row per step due, with `stay_id` and `started_at`; the stretches are those of a batch.
"""

import polars as pl

from pipeline.events.stretches import Batch
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
_TIME = pl.Datetime("us")


def first_in_stay(stretches: pl.DataFrame, holds: pl.Expr) -> pl.DataFrame:
    """One row per stay: the start of its first audited stretch of which `holds` is true."""
    return stretches.filter(AUDITED & holds).group_by("stay_id").agg(pl.col("started_at").min())


def with_first(due: pl.DataFrame, stretches: pl.DataFrame, holds: pl.Expr, name: str) -> pl.DataFrame:
    """Adds `name`: the first instant from started_at on at which `holds` is true; null when there is none.

    It is started_at itself where it held already.
    """
    holding = stretches.filter(holds).select("stay_id", "ended_at", holds_from="started_at").sort("ended_at")
    return (
        due.sort("started_at")
        # Stretches of a stay do not overlap: the one that ends next after the start is the first to hold.
        .join_asof(
            holding,
            left_on="started_at",
            right_on="ended_at",
            by="stay_id",
            strategy="forward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .with_columns(
            pl.when(pl.col("holds_from").is_not_null())
            .then(pl.max_horizontal("started_at", "holds_from"))
            .cast(_TIME)
            .alias(name)
        )
        .drop("holds_from", "ended_at", strict=False)
    )


def with_next(due: pl.DataFrame, events: pl.DataFrame, name: str, or_now: bool = False) -> pl.DataFrame:
    """Adds `name`: the first `at` of the events of the stay after started_at (or_now: or at it); else null."""
    return due.sort("started_at").join_asof(
        events.select("stay_id", pl.col("at").alias(name)).sort(name),
        left_on="started_at",
        right_on=name,
        by="stay_id",
        strategy="forward",
        allow_exact_matches=or_now,
        coalesce=False,
        check_sortedness=False,
    )


def gases_in_stay(batch: Batch) -> pl.DataFrame:
    """The arterial and capillary gases within their stay: stay_id, at, ph, pco2_kpa, and excluded at that instant."""
    gases = (
        batch.rows("gases")
        .filter(pl.col("sample_type").is_in(RETENTION_SAMPLE_TYPES))
        .select("stay_id", "ph", "pco2_kpa", at="taken_at")
        .join(_stay_ends(batch.stretches), on="stay_id")
        .filter(pl.col("at") < pl.col("stay_end"))
        .drop("stay_end")
    )
    return _at(gases, "at", batch.stretches.select("stay_id", "started_at", "excluded")).drop("started_at")


def close(due: pl.DataFrame, stretches: pl.DataFrame, step: Step, policy: Policy) -> pl.DataFrame:
    """Says of each step due whether it was done, after how many audited minutes, and whether in time.

    In: stay_id, started_at, done_at (null: never), and where the step has them `until`, from when on it was no longer
    due, and `excused_at`, the same but only where it comes before the limit is up. What was done at that very instant
    was done.
    Out: the columns of `pathway_steps` and any other column of `due`. in_time is null without a limit, and where
    the wait ended undone before the limit was passed (discharge, no longer due): then it cannot be told.
    """
    limit = None if step.limit is None else float(getattr(policy, step.limit))
    waits = (
        due.with_columns(pl.lit(None, _TIME).alias(name) for name in ("until", "excused_at") if name not in due.columns)
        .join(_stay_ends(stretches), on="stay_id")
        .pipe(_with_audited_s, "started_at", stretches)
    )
    if limit is not None:
        waits = _with_audited_s(waits, "excused_at", stretches)
        early = pl.col("excused_at_s") - pl.col("started_at_s") < limit * 60
        waits = waits.with_columns(excused_at=pl.when(early).then("excused_at"))
    ends_at = pl.min_horizontal("until", "excused_at", "stay_end")
    waits = waits.with_columns(done=(pl.col("done_at") <= ends_at).fill_null(False), ends_at=ends_at)
    waits = waits.with_columns(
        done_at=pl.when("done").then("done_at"), closed_at=pl.when("done").then("done_at").otherwise("ends_at")
    )
    waits = _with_audited_s(waits, "closed_at", stretches)
    seconds = pl.col("closed_at_s") - pl.col("started_at_s")
    in_time = pl.lit(None, pl.Boolean)
    if limit is not None:
        too_long = seconds > limit * 60
        in_time = pl.when(pl.col("done") | too_long).then(~too_long)
    waits = waits.with_columns(
        step=pl.lit(step.id), minutes=seconds / 60, limit_minutes=pl.lit(limit, pl.Float64), in_time=in_time
    )
    at_start = stretches.select("stay_id", "ward", "month", "retainer", stretch_from="started_at")
    return _at(waits.drop("ward", "month", "retainer", strict=False), "started_at", at_start, "stretch_from")


def _stay_ends(stretches: pl.DataFrame) -> pl.DataFrame:
    return stretches.group_by("stay_id").agg(stay_end=pl.col("ended_at").max())


def _at(rows: pl.DataFrame, column: str, stretches: pl.DataFrame, starts: str = "started_at") -> pl.DataFrame:
    """Adds the columns of the stretch in which the instant of each row lies."""
    return rows.sort(column).join_asof(
        stretches.sort(starts),
        left_on=column,
        right_on=starts,
        by="stay_id",
        strategy="backward",
        coalesce=False,
        check_sortedness=False,
    )


def _with_audited_s(rows: pl.DataFrame, column: str, stretches: pl.DataFrame) -> pl.DataFrame:
    """Adds `<column>_s`: the audited seconds of the stay up to that instant; null where it is null."""
    counted = pl.when(AUDITED).then("seconds").otherwise(0)
    clock = stretches.select(
        "stay_id", AUDITED.alias("runs"), stretch_from="started_at", before=counted.cum_sum().over("stay_id") - counted
    )
    instant = pl.coalesce(column, "started_at")
    into = (pl.col("instant") - pl.col("stretch_from")).dt.total_seconds()
    audited = pl.col("before") + pl.when("runs").then(into).otherwise(0)
    return (
        _at(rows.with_columns(instant=instant), "instant", clock, "stretch_from")
        .with_columns(pl.when(pl.col(column).is_not_null()).then(audited).alias(f"{column}_s"))
        .drop("instant", "stretch_from", "runs", "before")
    )
