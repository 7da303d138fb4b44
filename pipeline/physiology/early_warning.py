"""The early-warning scores that oxygen audit needs: saturation on both scales, oxygen, respiration, and how often
a patient is to be observed.

Source: Royal College of Physicians, National Early Warning Score 2 (2017), chart 1 (scores) and chart 4 (response).
Scores are whole numbers from 0 to 3. The chart is in whole per cent and breaths: fractions are rounded to the nearest
first, halves up, as a display shows them.
"""

import polars as pl

from pipeline.policy import Policy
from pipeline.vocabulary import RETAINER_TARGET_UPPER_PERCENT

_URGENT_FROM = 5
# Chart 4: at least hourly.
_HOURS_WHEN_URGENT = 1
_OXYGEN_SCORE = 2
_MOST_FOR_ONE = 3


def spo2_score_scale_1(spo2_percent: pl.Expr) -> pl.Expr:
    """Saturation score of patients without a lower target; null where the saturation is."""
    shown = _as_shown(spo2_percent)
    return (
        pl.when(shown <= 91)
        .then(_points(3))
        .when(shown <= 93)
        .then(_points(2))
        .when(shown <= 95)
        .then(_points(1))
        .when(shown.is_not_null())
        .then(_points(0))
    )


def spo2_score_scale_2(spo2_percent: pl.Expr, on_oxygen: pl.Expr) -> pl.Expr:
    """Saturation score of patients with 88-92 % prescribed for CO2 retention.

    From 93 % up it scores on oxygen only. Null where the saturation is, and from 93 % up where oxygen is unknown.
    """
    shown = _as_shown(spo2_percent)
    return (
        pl.when(shown <= 83)
        .then(_points(3))
        .when(shown <= 85)
        .then(_points(2))
        .when(shown <= 87)
        .then(_points(1))
        .when((shown <= 92) | (shown.is_not_null() & ~on_oxygen))
        .then(_points(0))
        .when(on_oxygen & (shown <= 94))
        .then(_points(1))
        .when(on_oxygen & (shown <= 96))
        .then(_points(2))
        .when(on_oxygen & shown.is_not_null())
        .then(_points(3))
    )


def spo2_score(scale: pl.Expr, spo2_percent: pl.Expr, on_oxygen: pl.Expr) -> pl.Expr:
    """Saturation score on the scale given (1 or 2); null without one."""
    return (
        pl.when(scale == 1)
        .then(spo2_score_scale_1(spo2_percent))
        .when(scale == 2)
        .then(spo2_score_scale_2(spo2_percent, on_oxygen))
    )


def oxygen_score(on_oxygen: pl.Expr) -> pl.Expr:
    """2 on oxygen, 0 on air; null where unknown."""
    return pl.when(on_oxygen).then(_points(_OXYGEN_SCORE)).when(~on_oxygen).then(_points(0))


def respiration_score(respiratory_rate: pl.Expr) -> pl.Expr:
    """Score of the respiratory rate in breaths a minute; null where none is charted."""
    shown = _as_shown(respiratory_rate)
    return (
        pl.when(shown <= 8)
        .then(_points(3))
        .when(shown <= 11)
        .then(_points(1))
        .when(shown <= 20)
        .then(_points(0))
        .when(shown <= 24)
        .then(_points(2))
        .when(shown.is_not_null())
        .then(_points(3))
    )


def scale_for_target(upper_percent: pl.Expr) -> pl.Expr:
    """The saturation scale that the target in force implies: 2 up to an upper limit of 92 %, else 1; null without one.

    Scale 2 is for 88-92 % prescribed in confirmed CO2 retention; whether the target itself is right is not judged.
    """
    scale = pl.when(upper_percent <= RETAINER_TARGET_UPPER_PERCENT).then(_points(2)).otherwise(_points(1))
    return pl.when(upper_percent.is_not_null()).then(scale)


def least_score(spo2_points: pl.Expr, oxygen_points: pl.Expr, respiration_points: pl.Expr) -> pl.Expr:
    """Sum of the scores known: the whole score cannot be lower. Null where no saturation score is known."""
    return spo2_points + oxygen_points.fill_null(0) + respiration_points.fill_null(0)


def observation_interval_hours(policy: Policy, on_oxygen: pl.Expr, score: pl.Expr, highest_single: pl.Expr) -> pl.Expr:
    """Longest interval in hours that the chart allows until the next observation.

    `score` is the whole score or the least it can be (`least_score`): with the latter the true limit may be shorter,
    never longer. `highest_single` is the highest score of one parameter. On oxygen the score is at least 2, charted
    or not. From 7 the chart asks for continuous monitoring, of which charted readings can show the hourly part only.
    Null where neither oxygen nor a score of 1 or more decides and it is not known to be 0 on air.
    """
    hourly = (score >= _URGENT_FROM) | (highest_single >= _MOST_FOR_ONE)
    return (
        pl.when(hourly)
        .then(pl.lit(float(_HOURS_WHEN_URGENT)))
        .when(on_oxygen | (score >= 1))
        .then(pl.lit(float(policy.observation_hours_at_score_1_to_4)))
        .when(~on_oxygen & (score == 0))
        .then(pl.lit(float(policy.observation_hours_at_score_0)))
    )


def _as_shown(value: pl.Expr) -> pl.Expr:
    return (value + 0.5).floor()


def _points(number: int) -> pl.Expr:
    return pl.lit(number, dtype=pl.Int8)
