"""Control limits against handbooks, papers, another person's library, and limits worked out by hand."""

import warnings

import numpy as np
import pandas as pd
import pytest
import shewhart
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.control_charts import (
    FEWEST_POINTS,
    Limits,
    individuals,
    joined,
    moving_range_limit,
    moving_ranges,
    phases,
    proportions,
    rates,
)
from tests.handbook import (
    BOARDS,
    CANS,
    CLOTH_DEFECTS,
    CLOTH_UNITS,
    SINGLE_VALUES,
    WEEKLY_ATTENDED,
    WEEKLY_SEEN,
)

QUICK = settings(max_examples=50, deadline=None, derandomize=True)


def every(values: np.ndarray) -> np.ndarray:
    return np.ones(len(values), dtype=bool)


def outside(values: np.ndarray, limits: Limits) -> list[int]:
    """Places of the points beyond their limits, from 1."""
    return [int(place) + 1 for place in np.flatnonzero((values < limits.low) | (values > limits.high))]


# --- handbooks and papers ---------------------------------------------------------------------------------------


def test_single_values_have_the_limits_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 45.8159 and 55.8041.

    The limit of the moving range, 6.1349, is 3.267 x 1.8778 (derived).
    """
    limits = individuals(SINGLE_VALUES, every(SINGLE_VALUES))
    assert moving_ranges(SINGLE_VALUES).mean() == pytest.approx(1.8778, abs=5e-5)
    assert limits.centre[0] == pytest.approx(50.81)
    # The handbook rounds its mean moving range to four places before it goes on.
    assert (limits.low[0], limits.high[0]) == pytest.approx((45.8159, 55.8041), abs=2e-4)
    assert moving_range_limit(SINGLE_VALUES) == pytest.approx(6.1349, abs=2e-4)


def test_orange_juice_cans_have_the_limits_of_the_textbook() -> None:
    """Montgomery: centre 0.2313, limits 0.0524 and 0.4102; samples 15 and 23 outside."""
    sizes = np.full(30, 50.0)
    limits = proportions(CANS, sizes, every(CANS), laney=False)
    assert (limits.centre[0], limits.low[0], limits.high[0]) == pytest.approx((0.23133, 0.05243, 0.41024), abs=5e-6)
    assert outside(CANS / sizes, limits) == [15, 23]


def test_limits_come_from_the_declared_baseline_alone() -> None:
    """Montgomery: without samples 15 and 23 centre 0.2150, limits 0.0407 and 0.3893 (from memory)."""
    sizes = np.full(30, 50.0)
    baseline = every(CANS)
    baseline[[14, 22]] = False
    limits = proportions(CANS, sizes, baseline, laney=False)
    assert (limits.centre[0], limits.low[0], limits.high[0]) == pytest.approx((0.2150, 0.0407, 0.3893), abs=5e-5)
    assert limits.points == 28


def test_the_weeks_of_emergency_departments_need_laneys_limits() -> None:
    """Mohammed et al. 2013: with 280,000 attendances a week plain limits are far too narrow, the adjusted ones fit.

    Sums, mean 0.952900, sigma_z 10.6404 and week 1's limits 0.940130 and 0.965670: derived from the paper's counts.
    """
    assert (WEEKLY_SEEN.sum(), WEEKLY_ATTENDED.sum()) == (5324775, 5587970)
    share = WEEKLY_SEEN / WEEKLY_ATTENDED
    plain = proportions(WEEKLY_SEEN, WEEKLY_ATTENDED, every(share), laney=False)
    laney = proportions(WEEKLY_SEEN, WEEKLY_ATTENDED, every(share))
    assert len(outside(share, plain)) == 16
    assert outside(share, laney) == []
    assert laney.centre[0] == pytest.approx(0.952900, abs=5e-7)
    assert laney.sigma_z == pytest.approx(10.6404, abs=5e-5)
    assert (laney.low[0], laney.high[0]) == pytest.approx((0.940130, 0.965670), abs=5e-7)


def test_laneys_factor_of_the_orange_juice_cans() -> None:
    """Formula of Laney 2002 on Montgomery's cans (derived): sigma_z 1.661, limits 0 and 0.5285.

    With 2 / sqrt(pi) in place of 1.128 sigma_z is 1.6603 (shewhart 0.1.1).
    """
    limits = proportions(CANS, np.full(30, 50.0), every(CANS))
    assert limits.sigma_z == pytest.approx(1.661, abs=5e-4)
    assert limits.sigma_z * 1.128 / (2 / np.sqrt(np.pi)) == pytest.approx(1.6603, abs=5e-5)
    assert (limits.low[0], limits.high[0]) == pytest.approx((0, 0.5285), abs=5e-4)


def test_counts_have_the_limits_of_the_handbooks() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.1: 25 wafers, 400 defects: 16, 4, 28. Montgomery's boards: 19.85, 6.48, 33.22."""
    wafers = np.full(25, 16.0)
    limits = rates(wafers, np.ones(25), every(wafers), laney=False)
    assert (limits.centre[0], limits.low[0], limits.high[0]) == pytest.approx((16, 4, 28))
    boards = rates(BOARDS, np.ones(26), every(BOARDS), laney=False)
    assert (boards.centre[0], boards.low[0], boards.high[0]) == pytest.approx((19.846, 6.481, 33.211), abs=5e-4)


def test_rates_have_limits_by_how_much_was_inspected() -> None:
    """Montgomery's dyed cloth (from memory): centre 1.4233; of 10 units 0.291 and 2.555; of 8 units 0.158 and 2.689."""
    limits = rates(CLOTH_DEFECTS, CLOTH_UNITS, every(CLOTH_UNITS), laney=False)
    assert limits.centre[0] == pytest.approx(1.4233, abs=5e-5)
    # Four places from the formula of the book; three are printed.
    assert (limits.low[0], limits.high[0]) == pytest.approx((0.291, 2.555), abs=6e-4)
    assert (limits.low[1], limits.high[1]) == pytest.approx((0.158, 2.689), abs=6e-4)


# --- another library --------------------------------------------------------------------------------------------


def of_library(result: shewhart.Result) -> tuple[np.ndarray, np.ndarray]:
    frame = result.to_frame()
    return frame["lcl"].to_numpy(), frame["ucl"].to_numpy()


def agrees(limits: Limits, result: shewhart.Result, relative: float) -> None:
    """shewhart 0.1.1 takes d2 = 2 / sqrt(pi) = 1.12838, not 1.128: limits agree to about three in ten thousand."""
    low, high = of_library(result)
    reach = np.maximum(limits.high - limits.centre, 1e-12)
    assert np.abs(limits.high - high).max() <= relative * reach.max()
    assert np.abs(limits.low - low).max() <= relative * reach.max()


COUNTS = st.lists(st.tuples(st.integers(20, 400), st.floats(0.05, 0.6)), min_size=12, max_size=40).map(
    lambda rows: (np.array([round(n * p) for n, p in rows], float), np.array([n for n, _ in rows], float))
)


@QUICK
@given(COUNTS)
def test_proportions_and_rates_agree_with_another_library(counts: tuple[np.ndarray, np.ndarray]) -> None:
    events, sizes = counts
    data = pd.DataFrame({"events": events.astype(int), "sizes": sizes.astype(int)})
    all_of_it = every(events)
    if np.ptp(events / sizes) == 0:
        # Months exactly alike: the library refuses, here the plain limits hold.
        assert proportions(events, sizes, all_of_it).sigma_z == rates(events, sizes, all_of_it).sigma_z == 1
        return
    agrees(
        proportions(events, sizes, all_of_it, laney=False),
        shewhart.p_chart(data, defectives="events", size="sizes"),
        1e-9,
    )
    agrees(proportions(events, sizes, all_of_it), shewhart.laney_p(data, defectives="events", size="sizes"), 3.5e-4)
    agrees(rates(events, sizes, all_of_it, laney=False), shewhart.u_chart(data, defects="events", size="sizes"), 1e-9)
    agrees(rates(events, sizes, all_of_it), shewhart.laney_u(data, defects="events", size="sizes"), 3.5e-4)


@QUICK
@given(st.lists(st.floats(0, 100), min_size=10, max_size=40))
def test_single_values_agree_with_another_library(values: list[float]) -> None:
    series = np.array(values)
    if np.ptp(series) < 0.01:
        return
    data = pd.DataFrame({"value": series})
    told, limits = shewhart.imr(data, value="value").stats, individuals(series, every(series))
    assert limits.centre[0] == pytest.approx(told["i_center"])
    reach = limits.high[0] - limits.centre[0]
    assert (limits.low[0], limits.high[0]) == pytest.approx((told["i_lcl"], told["i_ucl"]), abs=3.5e-4 * reach)


# --- by hand ----------------------------------------------------------------------------------------------------


def test_a_month_without_a_figure_is_no_point_and_breaks_no_limit() -> None:
    """10, 12, nothing, 11: mean 11, moving ranges 2 and 1, so 11 +- 3 x 1.5 / 1.128."""
    limits = individuals(np.array([10, 12, np.nan, 11]), every(np.zeros(4)))
    assert limits.points == 3
    assert limits.high[2] == pytest.approx(11 + 3 * 1.5 / 1.128)


def test_months_without_trials_have_no_limits_and_nothing_is_said_on_the_screen() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        limits = proportions(np.array([2.0, 0, 3]), np.array([10.0, 0, 10]), every(np.zeros(3)))
        nothing = rates(np.zeros(3), np.zeros(3), every(np.zeros(3)))
        never = proportions(np.zeros(12), np.full(12, 9.0), every(np.zeros(12)))
    assert np.isnan(limits.low).tolist() == [False, True, False]
    assert nothing.points == 0
    assert np.isnan(nothing.centre).all()
    # Never an event: the limits are where the figures are, at 0.
    assert (never.low.max(), never.high.max(), never.centre.max()) == (0, 0, 0)


def test_a_declared_change_sets_the_limits_anew() -> None:
    """Twelve months about 20 and twelve about 10: whole, the limits span both; set anew, each is about its own."""
    values = np.array([19.0, 21] * 6 + [9.0, 11] * 6)
    starts = phases(24, [12])
    parts = [individuals(values[part], every(values[part])) for part in starts]
    limits = joined(parts)
    assert (limits.centre[0], limits.centre[23]) == (20, 10)
    assert limits.high[23] == pytest.approx(10 + 3 * 2 / 1.128)
    assert limits.points == 12


def test_a_stretch_with_too_few_points_has_no_limits_and_says_how_many_it_has() -> None:
    values = np.array([5.0, 6] * 5 + [9.0, 8, 9])
    limits = joined([individuals(values[part], every(values[part])) for part in phases(13, [10])])
    assert not np.isnan(limits.low[:10]).any()
    assert np.isnan(limits.low[10:]).all()
    assert limits.points == 3
    assert limits.points < FEWEST_POINTS


@pytest.mark.parametrize(("points", "provisional"), [(19, True), (20, False)])
def test_limits_of_fewer_than_twenty_points_are_provisional(points: int, provisional: bool) -> None:
    values = np.arange(points, dtype=float) % 3
    assert individuals(values, every(values)).provisional is provisional


def test_changes_outside_the_series_make_no_stretch() -> None:
    assert phases(5, [-2, 0, 5, 9]) == [slice(0, 5)]
    assert phases(5, [3, 3, 1]) == [slice(0, 1), slice(1, 3), slice(3, 5)]


def test_steady_months_seldom_lie_outside_their_limits() -> None:
    """Three standard deviations leave 0.27 % outside; limits from 24 points a little more (simulated)."""
    rng = np.random.default_rng(5)
    series = rng.normal(50, 4, (2000, 24))
    beyond = sum(len(outside(row, individuals(row, every(row)))) for row in series)
    assert 0.0015 < beyond / series.size < 0.015
