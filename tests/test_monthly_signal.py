"""A figure by month, judged: worked out by hand, and the handbook series through the same door."""

import numpy as np
import pytest

from pipeline.monthly_signal import Chart, Judged, Series, judge
from pipeline.run_rules import Direction, Rule
from tests.handbook import SINGLE_VALUES, WEEKLY_ATTENDED, WEEKLY_SEEN

MONTHS = tuple(f"{year}-{month:02d}" for year in (2024, 2025) for month in range(1, 13))


def single(*values: float, **choices: object) -> Judged:
    return judge(Series(Chart.INDIVIDUALS, MONTHS[: len(values)], np.array(values)), **choices)  # type: ignore[arg-type]


def test_single_values_are_judged_by_the_limits_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2: 45.8159 to 55.8041, none outside."""
    judged = single(*SINGLE_VALUES)
    assert (judged.limits.low[9], judged.limits.high[9]) == pytest.approx((45.8159, 55.8041), abs=2e-4)
    assert not [signal for signal in judged.verdict.signals if signal.rule is Rule.OUTSIDE_LIMITS]


def test_proportions_are_judged_with_laneys_adjustment() -> None:
    """Mohammed et al. 2013: no week outside, no run too long."""
    series = Series(Chart.PROPORTIONS, MONTHS[:20], WEEKLY_SEEN / WEEKLY_ATTENDED, WEEKLY_ATTENDED)
    judged = judge(series)
    assert judged.limits.sigma_z == pytest.approx(10.6404, abs=5e-5)
    assert judged.verdict.signals == ()


def test_rates_are_judged_by_what_they_rest_on() -> None:
    """Ten months of 4 per 100 patient-days and one of 9: the same 9 is outside on 400 patient-days and not on 100."""
    values = np.array([4.0, 5, 4, 3, 4, 5, 3, 4, 5, 4, 9])
    for hundreds, outside in ((20.0, True), (1.0, False)):
        judged = judge(Series(Chart.RATES, MONTHS[:11], values, np.array([20.0] * 10 + [hundreds])))
        assert (Rule.OUTSIDE_LIMITS in {signal.rule for signal in judged.verdict.signals}) is outside


def test_a_month_outside_is_named_by_its_place_in_the_whole_series() -> None:
    judged = single(*[10.0, 11] * 6, *[5.0, 6] * 5, 12, 5, starts=["2025-01"])
    (signal,) = judged.verdict.signals
    assert (signal.rule, signal.found, signal.position) == (Rule.OUTSIDE_LIMITS, 12, 22)
    assert (judged.since, judged.points) == ("2025-01", 12)


def test_a_declared_change_begins_rules_and_limits_anew() -> None:
    """A step from about 20 to about 10: a shift in one series; two steady ones when the change is declared."""
    values = [19.0, 21] * 6 + [9.0, 11] * 6
    whole, parted = single(*values), single(*values, starts=["2025-01"])
    assert whole.verdict.direction is Direction.FELL
    assert parted.verdict.signals == ()
    assert (parted.limits.centre[11], parted.limits.centre[12]) == (20, 10)


def test_too_few_months_after_a_change_have_no_limits_and_no_verdict() -> None:
    judged = single(*[19.0, 21] * 6, 5, 6, 7, starts=["2025-01"])
    assert judged.verdict.too_few
    assert judged.points == 3
    assert np.isnan(judged.limits.low[12:]).all()
    assert not np.isnan(judged.limits.low[:12]).any()


def test_a_change_that_no_whole_month_follows_yet_begins_nothing() -> None:
    judged = single(*[19.0, 21] * 6, starts=["2025-01"], partial=["2024-12"])
    assert judged.since is None
    assert judged.limits.points == 11


def test_a_month_in_which_a_change_was_made_is_in_no_limits() -> None:
    """Eleven months of 10 and 12, and a twelfth of 90 that a change divides: mean of the eleven 120 / 11."""
    judged = single(*[10.0, 12] * 5, 10, 90, starts=["2025-01"], partial=["2024-12"])
    assert judged.limits.centre[0] == pytest.approx(120 / 11)


def test_limits_come_from_the_declared_baseline_and_hold_after_it() -> None:
    judged = single(*[10.0, 12] * 6, *[15.0, 17] * 6, baseline=("2024-01", "2024-12"))
    assert judged.limits.centre[23] == 11
    assert judged.limits.points == 12
    assert {signal.rule for signal in judged.verdict.signals} >= {Rule.FEW_CROSSINGS}


def test_a_baseline_outside_a_stretch_leaves_it_its_own_months() -> None:
    judged = single(*[10.0, 12] * 6, *[15.0, 17] * 6, starts=["2025-01"], baseline=("2024-01", "2024-12"))
    assert (judged.limits.centre[0], judged.limits.centre[23]) == (11, 16)


def test_months_without_a_figure_are_no_points() -> None:
    values = [10.0, 12] * 5 + [np.nan, np.nan]
    assert single(*values).points == 10
    assert single(*[np.nan] * 12).points == 0
    nothing = judge(Series(Chart.PROPORTIONS, MONTHS[:2], np.array([np.nan, 0.5]), np.array([0.0, 10])))
    assert nothing.points == 1


def test_months_all_alike_hold_no_signal() -> None:
    judged = single(*[0.058] * 12)
    assert judged.verdict.signals == ()
    assert judged.verdict.too_few
