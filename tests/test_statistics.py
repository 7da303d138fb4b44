"""Intervals against published figures, exact definitions, and other people's programs."""

import itertools
import warnings
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline import statistics
from pipeline.statistics import (
    BOOTSTRAP_REPEATS,
    bootstrap_median,
    bootstrap_shares,
    median_with_censoring,
    percentile_interval,
    poisson_rate,
    wilson,
)

QUICK = settings(max_examples=200, deadline=None, derandomize=True)


def one(interval: tuple[np.ndarray, np.ndarray]) -> tuple[float, float]:
    (low,), (high,) = interval
    return float(low), float(high)


# --- proportions --------------------------------------------------------------------------------------------


# Newcombe, Stat Med 1998;17:857-72, table I, method 3 (from memory; the formula gives all four to four places).
@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_gives_the_published_intervals(successes: int, trials: int, low: float, high: float) -> None:
    assert one(wilson(np.array([successes]), np.array([trials]))) == pytest.approx((low, high), abs=5e-5)


@QUICK
@given(st.integers(1, 5000).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials))))
def test_wilson_agrees_with_scipy(counts: tuple[int, int]) -> None:
    successes, trials = counts
    expected = stats.binomtest(successes, trials).proportion_ci(0.95, method="wilson")
    found = one(wilson(np.array([successes]), np.array([trials])))
    assert found == pytest.approx((expected.low, expected.high), abs=1e-12)
    assert 0 <= found[0] < found[1] <= 1
    assert found[0] - 1e-12 <= successes / trials <= found[1] + 1e-12


def test_wilson_of_no_trials_is_not_known_and_says_nothing_on_the_screen() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        low, high = wilson(np.array([0.0, 3.0]), np.array([0.0, 4.0]))
    assert np.isnan([low[0], high[0]]).all()
    assert not np.isnan([low[1], high[1]]).any()


# --- rates --------------------------------------------------------------------------------------------------


# Exact limits of a Poisson count, to two places, as tables of them print (from memory).
@pytest.mark.parametrize(
    ("events", "low", "high"), [(0, 0, 3.69), (1, 0.03, 5.57), (5, 1.62, 11.67), (10, 4.80, 18.39)]
)
def test_poisson_gives_the_tabled_limits(events: int, low: float, high: float) -> None:
    assert one(poisson_rate(np.array([events]), np.array([1.0]))) == pytest.approx((low, high), abs=0.006)


@QUICK
@given(st.integers(0, 3000), st.floats(0.01, 1e6))
def test_each_poisson_limit_leaves_one_fortieth_beyond(events: int, exposure: float) -> None:
    """The definition of exact limits: were the rate the limit, a count as far out had probability 0.025."""
    low, high = one(poisson_rate(np.array([events]), np.array([exposure])))
    assert stats.poisson.cdf(events, high * exposure) == pytest.approx(0.025, rel=1e-6)
    if events:
        assert stats.poisson.sf(events - 1, low * exposure) == pytest.approx(0.025, rel=1e-6)
    else:
        assert low == 0
    assert low <= events / exposure <= high


def test_a_rate_without_exposure_is_not_known_and_says_nothing_on_the_screen() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        low, high = poisson_rate(np.array([0.0, 2.0, 0.0]), np.array([0.0, 0.0, 10.0]))
    assert np.isnan(low).tolist() == np.isnan(high).tolist() == [True, True, False]


# --- bootstrap ----------------------------------------------------------------------------------------------


def patients(number: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Seconds above and within, and observed seconds, of made-up patients of very different length of stay."""
    rng = np.random.default_rng(seed)
    observed = rng.gamma(1.5, 100_000, number).round() + 1
    above = (observed * rng.beta(1, 5, number)).round()
    return np.column_stack([above, observed - above]), observed


def test_the_bootstrap_gives_the_same_for_the_same_seed_and_another_for_another() -> None:
    numerators, observed = patients(40)
    first = bootstrap_shares(numerators, observed, [1, 2])
    assert first.shape == (BOOTSTRAP_REPEATS, 2)
    assert np.array_equal(first, bootstrap_shares(numerators, observed, [1, 2]))
    assert not np.array_equal(first, bootstrap_shares(numerators, observed, [1, 3]))
    own = (numerators[:, 0] / observed).copy()
    assert bootstrap_median(own, [1, 2]) == bootstrap_median(own, [1, 2])


def test_shares_drawn_together_belong_together() -> None:
    numerators, observed = patients(25)
    assert bootstrap_shares(numerators, observed, [5]).sum(axis=1) == pytest.approx(np.ones(BOOTSTRAP_REPEATS))


@pytest.mark.parametrize("drawn_at_once", [1, 90, 1000, 30_000])
def test_drawing_in_pieces_draws_the_same(monkeypatch: pytest.MonkeyPatch, drawn_at_once: int) -> None:
    numerators, observed = patients(30)
    whole = bootstrap_shares(numerators, observed, [9])
    monkeypatch.setattr(statistics, "_DRAWN_AT_ONCE", drawn_at_once)
    assert np.array_equal(bootstrap_shares(numerators, observed, [9]), whole)


def test_shares_are_those_of_looking_each_drawn_patient_up() -> None:
    numerators, observed = patients(17)
    drawn = np.random.default_rng([9]).integers(0, 17, (BOOTSTRAP_REPEATS, 17), dtype=np.int32)
    expected = [[sum(numerators[i, k] for i in row) / sum(observed[i] for i in row) for k in (0, 1)] for row in drawn]
    assert np.array_equal(bootstrap_shares(numerators, observed, [9]), np.array(expected))


def test_the_interval_of_a_share_agrees_with_scipy() -> None:
    numerators, observed = patients(60)
    found = percentile_interval(bootstrap_shares(numerators, observed, [4])[:, 0])
    expected = stats.bootstrap(
        (numerators[:, 0], observed),
        lambda above, whole, axis: above.sum(axis=axis) / whole.sum(axis=axis),
        paired=True,
        vectorized=True,
        method="percentile",
        n_resamples=20_000,
        rng=np.random.default_rng(8),
    )
    # The ends of 1000 repeats wander by about a tenth of a standard error.
    tolerance = 0.2 * expected.standard_error
    assert found == pytest.approx(tuple(expected.confidence_interval), abs=tolerance)


def test_the_interval_of_a_median_agrees_with_scipy() -> None:
    values = np.random.default_rng(2).beta(4, 2, 151)
    expected = stats.bootstrap(
        (values,), np.median, method="percentile", n_resamples=9999, rng=np.random.default_rng(8)
    )
    tolerance = 0.25 * expected.standard_error
    assert bootstrap_median(values, [4]) == pytest.approx(tuple(expected.confidence_interval), abs=tolerance)


def test_of_very_many_patients_shares_are_as_wide_apart_as_when_each_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    numerators, observed = patients(statistics._MANY_PATIENTS)
    at_once = bootstrap_shares(numerators, observed, [9])
    monkeypatch.setattr(statistics, "_MANY_PATIENTS", np.inf)
    drawn = bootstrap_shares(numerators, observed, [9])
    assert not np.array_equal(at_once, drawn)
    for column in (0, 1):
        ends = np.array([percentile_interval(repeats[:, column]) for repeats in (at_once, drawn)])
        # Each end of 1000 repeats wanders by 0.08 standard errors: four of the difference of two are 0.48.
        assert np.abs(ends[0] - ends[1]).max() < 0.48 * drawn[:, column].std()
    assert at_once.sum(axis=1) == pytest.approx(np.ones(BOOTSTRAP_REPEATS))


def test_a_share_that_rests_on_few_of_many_patients_is_drawn() -> None:
    """One patient in 20,000 with any time above: as often as not drawn, never less than not at all."""
    observed = np.full(2 * statistics._MANY_PATIENTS, 1000.0)
    above = np.zeros_like(observed)
    above[0] = 1000
    repeats = bootstrap_shares(above.reshape(-1, 1), observed, [1])[:, 0]
    # Drawn n times out of n: not drawn at all with a chance of (1 - 1/n)**n, which is 1/e.
    assert (repeats == 0).mean() == pytest.approx(np.exp(-1), abs=0.06)
    assert repeats.min() == 0


@pytest.mark.parametrize("number", [2, 3, 4, 5, 6])
def test_medians_come_as_often_as_among_all_possible_draws(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Every draw of so many patients with replacement, each as likely as any other, against many repeats."""
    values = np.array([3.0, 10.0, 4.5, 1.0, 30.0, 7.0])[:number]
    expected = np.median(list(itertools.product(values, repeat=number)), axis=1)
    monkeypatch.setattr(statistics, "BOOTSTRAP_REPEATS", 400_000)
    repeats: list[np.ndarray] = []
    monkeypatch.setattr(statistics, "percentile_interval", repeats.append)
    bootstrap_median(values, [7])
    for below in np.unique(expected):
        # Shares of 400,000 draws: 0.005 is six standard errors of the widest.
        assert (repeats[0] <= below).mean() == pytest.approx((expected <= below).mean(), abs=0.005)


def test_the_interval_of_a_share_covers_the_truth_about_as_often_as_it_says() -> None:
    """200 hospitals of 60 patients drawn from one known distribution: true pooled share 1/6 (beta 1, 5)."""
    covered = 0
    for number in range(200):
        numerators, observed = patients(60, seed=1000 + number)
        low, high = percentile_interval(bootstrap_shares(numerators[:, :1], observed, [number])[:, 0])
        covered += low <= 1 / 6 <= high
    # A percentile bootstrap of 60 covers a little less than 95 %; 0.88 is 4 standard errors under that.
    assert 0.88 <= covered / 200 <= 0.99


def test_patients_all_alike_have_no_interval_to_speak_of() -> None:
    observed = np.array([100.0, 300.0, 700.0])
    repeats = bootstrap_shares((observed * 0.25).reshape(-1, 1), observed, [1])
    assert percentile_interval(repeats[:, 0]) == (0.25, 0.25)


def test_the_percentile_interval_cuts_one_fortieth_off_each_end() -> None:
    assert percentile_interval(np.arange(1001.0)) == pytest.approx((25, 975))


# --- medians with censoring ---------------------------------------------------------------------------------

# Weeks in remission, 6-mercaptopurine against placebo: Freireich et al., Blood 1963;21:699-716 (the usual worked
# example of the method). A minus sign: still in remission when last seen.
TREATED = [6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def median(signed: list[int] | list[float]) -> tuple[float, float, float]:
    times = np.array(signed, dtype=float)
    return median_with_censoring(np.abs(times), times < 0)


def test_the_median_of_the_usual_worked_example() -> None:
    """Median 23 and 8 weeks; log-log limits 13 to not reached, and 4 to 11 (lifelines 0.30.3 gives the same)."""
    assert median(PLACEBO) == (8, 4, 11)
    middle, low, high = median(TREATED)
    assert (middle, low) == (23, 13)
    assert np.isnan(high)


# Made-up times in days; the last three columns were worked out with lifelines 0.30.3, which cannot stand beside the
# other test libraries (its pandas is older). Where everybody's time has come at the last instant, the log-log upper
# limit there is undefined and lifelines fills in that instant: left out here.
MADE_UP = [
    ([15, -22, 28, -2, 5, -24, 28, -8, -10, 26, -13, 8, 25, 8, 12, 19, -16, -3, 1, 26, -22], 25, 12, None),
    ([19, -14, 23, 11, 18, 23, -27, 13, 2, 21, -16, 26, -14, -11, 2, 14, 19, 23, -25], 21, 14, 23),
    ([13, 14, -20, 17, -14, -7, -18], 17, 13, np.nan),
    ([9, 6, -10, 21, -10, -27, 17, 4, -29, 26, 23, -5, 23, 21, -23, 21, -18, 10, -27], 23, 17, np.nan),
]


@pytest.mark.parametrize(("signed", "middle", "low", "high"), MADE_UP)
def test_the_median_agrees_with_another_program(
    signed: list[int], middle: float, low: float, high: float | None
) -> None:
    found = median(signed)
    assert found[:2] == (middle, low)
    if high is not None:
        assert found[2] == pytest.approx(high, nan_ok=True)


def exact_median(signed: list[int]) -> float:
    """The first time at which the product of (1 - events / at risk) is a half or less, in exact fractions."""
    waiting = Fraction(1)
    for time in sorted({abs(each) for each in signed}):
        at_risk = sum(abs(each) >= time for each in signed)
        waiting *= 1 - Fraction(signed.count(time), at_risk)
        if waiting <= Fraction(1, 2):
            return time
    return np.nan


@QUICK
@given(st.lists(st.integers(1, 30).flatmap(lambda time: st.sampled_from([time, time, -time])), min_size=1, max_size=60))
def test_the_median_is_the_exact_one(signed: list[int]) -> None:
    assert median(signed)[0] == pytest.approx(exact_median(signed), nan_ok=True)


@pytest.mark.parametrize("number", range(1, 80))
def test_a_half_that_comes_out_a_hair_above_is_a_half(number: int) -> None:
    """One event a day, one still waiting at the end: at some sizes the product misses a half by its last digit."""
    signed = [*range(1, number + 1), -(number + 1)]
    assert median(signed)[0] == (number + 2) // 2


def test_nobody_yet_or_nobody_at_all_has_no_median() -> None:
    assert np.isnan(median([-3, -5])).all()
    assert np.isnan(median([])).all()


def test_the_undefined_end_of_an_interval_says_nothing_on_the_screen() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert median([3, 4, 5])[0] == 4
        assert median([3])[0] == 3
