"""What the figures rest on that could have been chosen otherwise, and what each other choice needs of the timeline.

The other reading carries need no second timeline. Its spans are cut at every reading and at every change of conditions,
so within a span the last reading, the band and the device stay the same, and only how long the reading speaks is open.
"""

import polars as pl

from pipeline.episodes import episodes_of
from pipeline.events.estimates import ESTIMATES
from pipeline.events.stretches import Batch, stay_months
from pipeline.layers import SECONDS_BITS
from pipeline.policy import Policy
from pipeline.vocabulary import BAND_STATES, EVIDENCE, OBSERVED_STATES

CARRY_HOURS = (1.0, 2.0, 4.0, 6.0, 12.0)
FIO2_THRESHOLDS = (0.24, 0.28, 0.35, 0.40)
# What one unit of weight is in a share. The audit counts time.
WEIGHTS = ("time", "readings", "patients")
# The evidence that makes a CO2 retainer, from the strongest alone to all that the audit takes.
TIERS = tuple(" or ".join(EVIDENCE[:number]) for number in range(1, len(EVIDENCE) + 1))

CHOICE_COLUMNS = ("choice", "value", "place", "adopted", "moves_shares", "moves_episodes")
_STATE = pl.Enum(BAND_STATES)
_UNJUDGED = ("no_target", "excluded")


def choices(policy: Policy) -> pl.DataFrame:
    """Every choice that is looked at, those of the audit among them.

    Out: one row per choice and value with CHOICE_COLUMNS. place: order of the values. adopted: what the audit counts
    by. moves_shares and moves_episodes: whether the shares of the band, and the number of episodes, can hang on it.
    """
    carries, fractions = _with(CARRY_HOURS, policy.reading_carry_hours), _with(FIO2_THRESHOLDS, policy.high_fio2_above)
    parts = (
        ("reading_carry_hours", [_text(v) for v in carries], _text(policy.reading_carry_hours), True, False),
        ("weight", WEIGHTS, "time", True, False),
        ("retainer_evidence", TIERS, TIERS[-1], True, True),
        ("high_fio2_above", [_text(v) for v in fractions], _text(policy.high_fio2_above), False, True),
        ("fio2_estimate", tuple(ESTIMATES), "best", False, True),
    )
    rows = [
        (choice, value, place, value == adopted, shares, episodes)
        for choice, values, adopted, shares, episodes in parts
        for place, value in enumerate(values, start=1)
    ]
    kinds = (pl.String, pl.String, pl.Int32, pl.Boolean, pl.Boolean, pl.Boolean)
    return pl.DataFrame(rows, schema=dict(zip(CHOICE_COLUMNS, kinds, strict=True)), orient="row")


def _with(usual: tuple[float, ...], adopted: float) -> list[float]:
    return sorted({*usual, float(adopted)})


def _text(value: float) -> str:
    return f"{value:g}"


def carry_time(batch: Batch, policy: Policy) -> pl.DataFrame:
    """How long each stay was in each band state, had a reading spoken for another time.

    Out: one row per stay, month and reading carry (of `choices`) with any time under a target: `carry_hours` as text,
    seconds in each observed state, and in `unobserved_s` the rest of the time under a target.
    """
    carries = {_text(hours): round(hours * 3600) for hours in _with(CARRY_HOURS, policy.reading_carry_hours)}
    months = stay_months(batch.timeline.conditions)
    # How much of the span the last reading speaks for; a span before any reading has none.
    spoken = {
        hours: (pl.lit(carry) - pl.col("age_s")).clip(0, pl.col("seconds")).fill_null(0)
        for hours, carry in carries.items()
    }
    by_stay = (
        _aged_spans(batch)
        .select("condition_no", "band_state", "seconds", **spoken)
        .join(months.select("condition_no", "stay_month"), on="condition_no")
        .group_by("stay_month", "band_state")
        .agg(pl.col("seconds", *carries).sum())
        .unpivot(
            on=list(carries),
            index=["stay_month", "band_state", "seconds"],
            variable_name="carry_hours",
            value_name="observed",
        )
    )
    in_state = pl.col("observed").filter
    return (
        by_stay.group_by("stay_month", "carry_hours")
        .agg(
            *(in_state(pl.col("band_state") == state).sum().alias(f"{state}_s") for state in OBSERVED_STATES),
            unobserved_s=(pl.col("seconds") - pl.col("observed")).sum(),
        )
        .sort("stay_month", pl.col("carry_hours").cast(pl.Float64))
        .join(months.drop("condition_no").unique("stay_month"), on="stay_month", maintain_order="left")
        .select("stay_id", "month", pl.exclude("stay_id", "month", "stay_month"))
    )


def _aged_spans(batch: Batch) -> pl.DataFrame:
    """The spans under a target, each with the state it is in once its last reading speaks, and the age of that.

    In the order of the timeline. age_s: seconds from the last reading of the stay to the start of the span, less than 0
    where it was taken within; null, and the state `unobserved`, where there was none yet.
    """
    stay, started_s = pl.col("condition_no") // 2**SECONDS_BITS, pl.col("started_at").dt.epoch("s")
    read = pl.when(pl.col("readings") > 0)
    aged = batch.timeline.spans.select(
        "condition_no",
        "seconds",
        "band_state",
        reading_stay=read.then(stay).forward_fill(),
        reading_s=read.then(started_s + pl.col("last_reading_s")).forward_fill(),
        last_spo2=read.then("spo2_percent").forward_fill(),
        started_s=started_s,
    ).filter(~pl.col("band_state").is_in(_UNJUDGED))
    is_of_stay = pl.col("reading_stay") == stay
    aged = aged.select(
        "condition_no",
        "band_state",
        pl.col("seconds").cast(pl.Int64),
        age_s=pl.when(is_of_stay).then(pl.col("started_s") - pl.col("reading_s")),
        last_spo2=pl.when(is_of_stay).then("last_spo2"),
    )
    # Only where the reading had run out is the state not that of the reading.
    ran_out = (pl.col("band_state") == "unobserved") & pl.col("last_spo2").is_not_null()
    judged = (
        aged.filter(ran_out)
        .join(
            batch.timeline.conditions.select("condition_no", "lower_percent", "upper_percent", "on_oxygen"),
            on="condition_no",
        )
        .with_columns(band_state=_judged())
    )
    return pl.concat([aged.filter(~ran_out), judged.select(aged.columns)])


def _judged() -> pl.Expr:
    spo2, on_oxygen = pl.col("last_spo2"), pl.col("on_oxygen")
    return (
        pl.when(spo2 < pl.col("lower_percent"))
        .then(pl.lit("below"))
        .when(spo2 <= pl.col("upper_percent"))
        .then(pl.lit("within"))
        .when(on_oxygen)
        .then(pl.lit("above_on_oxygen"))
        .when(~on_oxygen)
        .then(pl.lit("above_on_air"))
        .otherwise(pl.lit("above_device_unknown"))
        .cast(_STATE)
    )


def threshold_episodes(batch: Batch, policy: Policy) -> pl.DataFrame:
    """The episodes of `high_fio2_episodes` had another inspired fraction been called high.

    Out: one row per episode under each threshold of `choices` (`high_fio2_above`, as text): the stay, the month and
    instant of its start, and the saturation during it.
    """
    thresholds = _with(FIO2_THRESHOLDS, policy.high_fio2_above)
    return pl.concat(
        episodes_of(batch.stretches, threshold, policy).select(
            "stay_id", "month", "started_at", "saturation_during", high_fio2_above=pl.lit(_text(threshold))
        )
        for threshold in thresholds
    ).select("high_fio2_above", "stay_id", "month", "started_at", "saturation_during")
