"""Early-warning scores against the published chart and a library that computes them; the observation interval."""

from functools import partial
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from vitalscore import score_news2

from pipeline.physiology.early_warning import (
    least_score,
    observation_interval_hours,
    oxygen_score,
    respiration_score,
    scale_for_target,
    spo2_score,
    spo2_score_scale_1,
    spo2_score_scale_2,
)
from pipeline.policy import read_policy
from tests.physiology.scalars import NOT_KNOWN, answer

POLICY = read_policy()
interval = partial(answer, partial(observation_interval_hours, POLICY))

# Royal College of Physicians, NEWS2 (2017), chart 1: both ends of every cell.
SCALE_1 = {50: 3, 91: 3, 92: 2, 93: 2, 94: 1, 95: 1, 96: 0, 100: 0}
SCALE_2_BELOW = {50: 3, 83: 3, 84: 2, 85: 2, 86: 1, 87: 1, 88: 0, 92: 0}
SCALE_2_ABOVE_ON_OXYGEN = {93: 1, 94: 1, 95: 2, 96: 2, 97: 3, 100: 3}
RESPIRATION = {1: 3, 8: 3, 9: 1, 11: 1, 12: 0, 20: 0, 21: 2, 24: 2, 25: 3, 80: 3}


@pytest.mark.parametrize(("reading", "points"), SCALE_1.items())
def test_scale_1(reading: float, points: int) -> None:
    assert answer(spo2_score_scale_1, reading) == points


@pytest.mark.parametrize(("reading", "points"), SCALE_2_BELOW.items())
@pytest.mark.parametrize("on_oxygen", [True, False, NOT_KNOWN], ids=["oxygen", "air", "unknown"])
def test_scale_2_up_to_92_whatever_is_breathed(reading: float, points: int, on_oxygen: bool) -> None:
    assert answer(spo2_score_scale_2, reading, on_oxygen) == points


@pytest.mark.parametrize(("reading", "points"), SCALE_2_ABOVE_ON_OXYGEN.items())
def test_scale_2_from_93_scores_on_oxygen_only(reading: float, points: int) -> None:
    assert answer(spo2_score_scale_2, reading, True) == points
    assert answer(spo2_score_scale_2, reading, False) == 0
    assert answer(spo2_score_scale_2, reading, NOT_KNOWN) is None


@pytest.mark.parametrize(("rate", "points"), RESPIRATION.items())
def test_respiration(rate: float, points: int) -> None:
    assert answer(respiration_score, rate) == points


def test_oxygen_scores_2() -> None:
    assert answer(oxygen_score, True) == 2
    assert answer(oxygen_score, False) == 0
    assert answer(oxygen_score, NOT_KNOWN) is None


# Worked from the chart (derived): saturation, oxygen, score on scale 1, on scale 2, for oxygen.
@pytest.mark.parametrize(
    ("reading", "on_oxygen", "scale_1", "scale_2", "oxygen"),
    [(89, True, 3, 0, 2), (97, True, 0, 3, 2), (97, False, 0, 0, 0)],
)
def test_worked_readings(reading: float, on_oxygen: bool, scale_1: int, scale_2: int, oxygen: int) -> None:
    assert answer(spo2_score, 1.0, reading, on_oxygen) == scale_1
    assert answer(spo2_score, 2.0, reading, on_oxygen) == scale_2
    assert answer(oxygen_score, on_oxygen) == oxygen


@pytest.mark.parametrize(("scale", "on_oxygen"), list(product([1, 2], [True, False])))
def test_every_whole_reading_scores_as_in_a_library(scale: int, on_oxygen: bool) -> None:
    for reading, rate in zip(range(50, 101), range(5, 56), strict=True):
        theirs = score_news2(
            respiratory_rate=rate,
            spo2=reading,
            on_oxygen=on_oxygen,
            systolic_bp=120,
            heart_rate=70,
            consciousness="A",
            temperature=37.0,
            use_spo2_scale2=scale == 2,
        )
        ours = (
            answer(spo2_score, float(scale), reading, on_oxygen),
            answer(oxygen_score, on_oxygen),
            answer(respiration_score, rate),
        )
        assert ours == (theirs.spo2_score, theirs.o2_score, theirs.rr_score), reading
        assert answer(least_score, *ours) == theirs.total


def test_fractions_score_as_a_display_shows_them() -> None:
    """Common practice, no source: to the nearest whole number, halves up."""
    assert answer(spo2_score_scale_1, 91.4) == 3
    assert answer(spo2_score_scale_1, 91.5) == 2
    assert answer(spo2_score_scale_2, 92.4, True) == 0
    assert answer(spo2_score_scale_2, 92.5, True) == 1
    assert answer(respiration_score, 20.4) == 0
    assert answer(respiration_score, 20.5) == 2


def test_missing_in_is_missing_out() -> None:
    assert answer(spo2_score_scale_1, None) is None
    assert answer(respiration_score, None) is None
    for on_oxygen in (True, False, NOT_KNOWN):
        assert answer(spo2_score_scale_2, None, on_oxygen) is None
        assert answer(spo2_score, None, 90, on_oxygen) is None
    assert answer(least_score, None, 2, 3) is None
    assert answer(least_score, 1, None, None) == 1


# Scale 2 for 88-92 % prescribed in confirmed CO2 retention, scale 1 otherwise: Royal College of Physicians 2017 and
# implementation note 2020 (wording from memory).
@pytest.mark.parametrize(("upper", "scale"), [(92, 2), (90, 2), (92.5, 1), (93, 1), (96, 1), (98, 1), (None, None)])
def test_the_scale_a_target_implies(upper: float | None, scale: int | None) -> None:
    assert answer(scale_for_target, upper) == scale


# --- observation interval: NEWS2 (2017), chart 4 ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("score", "single", "hours"),
    [(0, 0, 12), (1, 1, 6), (2, 2, 6), (3, 2, 6), (3, 3, 1), (4, 2, 6), (5, 2, 1), (6, 3, 1), (7, 3, 1), (20, 3, 1)],
)
def test_the_interval_on_air(score: int, single: int, hours: float) -> None:
    assert interval(False, score, single) == hours


def test_12_hourly_on_air_with_a_score_of_0_is_no_fault() -> None:
    assert interval(False, 0, 0) == 12


@pytest.mark.parametrize(("score", "single", "hours"), [(0, 0, 6), (2, 2, 6), (4, 2, 6), (5, 2, 1), (3, 3, 1)])
def test_on_oxygen_the_score_is_at_least_2(score: int, single: int, hours: float) -> None:
    """A patient on oxygen with nothing else scores 2 and is seen at least 4-6-hourly (derived)."""
    assert interval(True, score, single) == hours


def test_the_interval_where_something_is_unknown() -> None:
    assert interval(True, None, None) == 6
    assert interval(False, None, None) is None
    assert interval(NOT_KNOWN, None, None) is None
    assert interval(NOT_KNOWN, 0, 0) is None
    assert interval(NOT_KNOWN, 1, 1) == 6
    assert interval(NOT_KNOWN, 5, 2) == 1
    assert interval(False, None, 3) == 1


@given(st.integers(0, 20), st.integers(0, 3), st.integers(0, 5))
def test_a_higher_score_never_allows_a_longer_interval(score: int, single: int, more: int) -> None:
    for on_oxygen in (True, False):
        assert interval(on_oxygen, score + more, single) <= interval(on_oxygen, score, single)
    assert interval(True, score, single) <= interval(False, score, single)
