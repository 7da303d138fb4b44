"""Before and after a change: published intervals, other people's libraries, and simulated changes of known size."""

import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep

from pipeline.before_after import (
    MONTHS_NEEDED,
    enough_months,
    interrupted_time_series,
    newcombe,
    of_medians,
    of_proportions,
    of_shares,
    restricted_likelihood,
)
from pipeline.statistics import median_with_censoring

QUICK = settings(max_examples=200, deadline=None, derandomize=True)

# --- proportions ------------------------------------------------------------------------------------------------


def test_newcombe_gives_the_published_interval() -> None:
    """Newcombe, Stat Med 1998;17:873-90: 56/70 less 48/80 is 0.20, 0.0524 to 0.3339 (from memory)."""
    found = newcombe(48, 80, 56, 70)
    assert (found.before, found.after) == (0.6, 0.8)
    assert (found.change, found.low, found.high) == pytest.approx((0.20, 0.0524, 0.3339), abs=5e-5)
    assert found.clear
    other_way = newcombe(56, 70, 48, 80)
    assert (other_way.low, other_way.high) == pytest.approx((-0.3339, -0.0524), abs=5e-5)


COUNTS = st.integers(1, 800).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials)))


@QUICK
@given(COUNTS, COUNTS)
def test_newcombe_agrees_with_statsmodels(before: tuple[int, int], after: tuple[int, int]) -> None:
    found = newcombe(*before, *after)
    low, high = confint_proportions_2indep(*after, *before, method="newcomb", compare="diff")
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-9)
    assert found.low - 1e-12 <= found.change <= found.high + 1e-12


def test_without_trials_on_one_side_nothing_is_known() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = newcombe(0, 0, 5, 10)
    assert np.isnan([found.before, found.after, found.change, found.low, found.high]).all()
    assert not found.clear


# --- proportions of events that share patients ------------------------------------------------------------------


@QUICK
@given(st.lists(st.booleans(), min_size=1, max_size=60), st.lists(st.booleans(), min_size=1, max_size=60))
def test_one_event_a_patient_is_newcombes_own(before: list[bool], after: list[bool]) -> None:
    numerators, denominators = apart(
        (np.array(before, float), np.ones(len(before))), (np.array(after, float), np.ones(len(after)))
    )
    found, plain = of_proportions(numerators, denominators), newcombe(sum(before), len(before), sum(after), len(after))
    # With one event each the variance over patients is that of trials, times n / (n - 1).
    assert found.change == pytest.approx(plain.change)
    assert found.low <= plain.low + 1e-12
    assert found.high >= plain.high - 1e-12
    assert found.high - found.low <= (plain.high - plain.low) * (1 + 1 / min(len(before), len(after)))


def test_the_effective_numbers_rest_on_the_variance_that_statsmodels_clusters() -> None:
    """statsmodels: the variance of a mean with standard errors clustered by patient; effective n = p (1 - p) / it."""
    rng = np.random.default_rng(12)
    trials = rng.integers(1, 9, 80).astype(float)
    events = rng.binomial(trials.astype(int), rng.beta(1, 2, 80)).astype(float)
    came = np.concatenate([np.r_[np.ones(int(k)), np.zeros(int(n - k))] for k, n in zip(events, trials, strict=True)])
    patient = np.repeat(np.arange(80), trials.astype(int))
    variance = sm.OLS(came, np.ones(len(came))).fit(cov_type="cluster", cov_kwds={"groups": patient}).bse[0] ** 2
    share = came.mean()
    number = share * (1 - share) / variance
    assert number < len(came)
    expected = newcombe(share * number, number, share * number, number)
    found = of_proportions(*apart((events, trials), (events, trials)))
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high))


def test_the_interval_of_events_that_share_patients_covers_about_as_often_as_it_says() -> None:
    """True shares 1/3 and 1/5, patients with 1 to 8 events each who differ: plain Newcombe covers about 85 %."""
    rng = np.random.default_rng(21)
    covered = plain = 0
    for _ in range(400):
        sides = []
        for share in (1 / 3, 1 / 5):
            trials = rng.integers(1, 9, 60)
            events = rng.binomial(trials, rng.beta(2 * share, 2 * (1 - share), 60))
            sides.append((events.astype(float), trials.astype(float)))
        found = of_proportions(*apart(*sides))
        counts = [number.sum() for side in sides for number in side]
        unadjusted = newcombe(*counts)
        covered += found.low <= 1 / 5 - 1 / 3 <= found.high
        plain += unadjusted.low <= 1 / 5 - 1 / 3 <= unadjusted.high
    assert 0.92 <= covered / 400 <= 0.98
    assert plain / 400 < 0.90


def test_no_event_at_all_is_as_certain_as_the_patients_are_many_not_the_events() -> None:
    """Nobody of 20 patients with 10 events each, either side: the upper end of 0/20 is 0.1611 (Newcombe 1998)."""
    nothing, ten = np.zeros(20), np.full(20, 10.0)
    found = of_proportions(*apart((nothing, ten), (nothing, ten)))
    assert (found.change, found.low, found.high) == pytest.approx((0, -0.1611, 0.1611), abs=5e-5)


# --- shares of time ---------------------------------------------------------------------------------------------


def patients(number: int, share: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Seconds above and seconds observed of patients who differ, with a true pooled share."""
    rng = np.random.default_rng(seed)
    observed = rng.gamma(1.5, 100_000, number)
    return observed * rng.beta(2 * share, 2 * (1 - share), number), observed


def apart(before: tuple[np.ndarray, np.ndarray], after: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Two sets of patients, none of them in both, as of_shares wants them."""
    nobody = [np.zeros(len(after[0])), np.zeros(len(before[0]))]
    numerators, denominators = (
        np.column_stack([np.concatenate([old, nobody[0]]), np.concatenate([nobody[1], new])])
        for old, new in zip(before, after, strict=True)
    )
    return numerators, denominators


def test_the_difference_of_shares_of_time_agrees_with_scipy() -> None:
    before, after = patients(120, 0.25, 1), patients(90, 0.15, 2)
    found = of_shares(*apart(before, after), seed=[4])

    def change(a: np.ndarray, b: np.ndarray, axis: int) -> np.ndarray:
        return a.mean(axis=axis) - b.mean(axis=axis)

    # scipy draws each side by itself; the ratio of sums as the mean of what each patient adds to it.
    def influence(numerator: np.ndarray, denominator: np.ndarray) -> np.ndarray:
        share = numerator.sum() / denominator.sum()
        return share + (numerator - share * denominator) / denominator.mean()

    expected = stats.bootstrap(
        (influence(*after), influence(*before)),
        change,
        n_resamples=9999,
        method="percentile",
        rng=np.random.default_rng(3),
    )
    tolerance = 0.25 * expected.standard_error
    assert (found.low, found.high) == pytest.approx(tuple(expected.confidence_interval), abs=tolerance)
    assert found.change == pytest.approx(after[0].sum() / after[1].sum() - before[0].sum() / before[1].sum())


def test_the_interval_covers_a_change_of_known_size_about_as_often_as_it_says() -> None:
    covered = 0
    for number in range(150):
        sides = patients(60, 0.25, 5000 + number), patients(60, 0.15, 9000 + number)
        found = of_shares(*apart(*sides), seed=[number])
        covered += found.low <= -0.10 <= found.high
    assert 0.88 <= covered / 150 <= 0.99


def test_a_patient_in_both_stretches_stays_one_patient() -> None:
    """The same patients before and after, each 10 points lower: drawn together, the difference is always 10 points."""
    observed = np.full(30, 1000.0)
    above = np.linspace(200, 900, 30)
    found = of_shares(np.column_stack([above, above - 100]), np.column_stack([observed, observed]), seed=[1])
    assert (found.low, found.high) == pytest.approx((-0.1, -0.1))


def test_one_patient_on_a_side_has_a_figure_and_no_interval() -> None:
    numerators, denominators = np.array([[50.0, 0], [0, 20], [0, 30]]), np.array([[100.0, 0], [0, 100], [0, 100]])
    found = of_shares(numerators, denominators, seed=[1])
    assert (found.before, found.after) == (0.5, 0.25)
    assert np.isnan([found.low, found.high]).all()
    assert not found.clear


def test_nobody_on_a_side_has_no_figure_and_says_nothing_on_the_screen() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = of_shares(np.array([[0.0, 4]]), np.array([[0.0, 8]]), seed=[1])
        # Two on either side: some draws have nobody on one of them, and are left out.
        few = of_shares(*apart((np.ones(2), np.full(2, 4.0)), (np.ones(2), np.full(2, 2.0))), seed=[1])
    assert np.isnan(found.change)
    assert (few.change, few.low, few.high) == (0.25, 0.25, 0.25)


# --- medians ----------------------------------------------------------------------------------------------------

TIMES = st.lists(st.tuples(st.integers(1, 30), st.booleans()), min_size=1, max_size=40)


@QUICK
@given(TIMES, TIMES)
def test_both_medians_are_those_of_scipys_product_limit(
    before: list[tuple[int, bool]], after: list[tuple[int, bool]]
) -> None:
    """pipeline.statistics.median_with_censoring rests on scipy.stats.ecdf and is checked against exact fractions."""
    rows = [*before, *after]
    values, censored = np.array([time for time, _ in rows], float), np.array([open_ for _, open_ in rows])
    is_after = np.arange(len(rows)) >= len(before)
    found = of_medians(values, censored, is_after, np.arange(len(rows)), seed=[1])
    expected = [median_with_censoring(values[side], censored[side])[0] for side in (~is_after, is_after)]
    assert [found.before, found.after] == pytest.approx(expected, nan_ok=True)


def test_the_interval_of_a_difference_of_medians_agrees_with_scipy() -> None:
    rng = np.random.default_rng(3)
    before, after = rng.gamma(2, 10, 90), rng.gamma(2, 7, 110)
    values, is_after = np.concatenate([before, after]), np.arange(200) >= 90
    found = of_medians(values, np.zeros(200, dtype=bool), is_after, np.arange(200), seed=[5])
    expected = stats.bootstrap(
        (after, before),
        lambda a, b, axis: np.median(a, axis=axis) - np.median(b, axis=axis),
        n_resamples=5000,
        method="percentile",
        rng=np.random.default_rng(4),
    )
    tolerance = 0.35 * expected.standard_error
    assert (found.low, found.high) == pytest.approx(tuple(expected.confidence_interval), abs=tolerance)


def test_a_median_that_is_not_reached_has_no_difference() -> None:
    values, censored = np.array([1.0, 2, 3, 9, 9, 9]), np.array([False, False, False, True, True, True])
    found = of_medians(values, censored, np.arange(6) >= 3, np.arange(6), seed=[1])
    assert found.before == 2
    assert np.isnan([found.after, found.change, found.low, found.high]).all()


# --- interrupted time series ------------------------------------------------------------------------------------


def series(rng: np.random.Generator, length: int = 36, alike: float = 0.3) -> tuple[np.ndarray, np.ndarray]:
    """Months that fall by 0.1 a month, drop by 4 in month 18 and fall by 0.2 more a month from then on."""
    times = np.arange(float(length))
    errors = np.empty(length)
    errors[0] = rng.normal() / np.sqrt(1 - alike**2)
    for month in range(1, length):
        errors[month] = alike * errors[month - 1] + rng.normal()
    after = times >= length // 2
    return 30 - 0.1 * times - 4 * after - 0.2 * after * (times - length // 2) + errors, times


def design(times: np.ndarray, change_at: float) -> np.ndarray:
    after = (times >= change_at).astype(float)
    return np.column_stack([np.ones(len(times)), times - times[0], after, after * (times - change_at)])


def test_level_and_slope_agree_with_statsmodels_for_the_same_autocorrelation() -> None:
    values, times = series(np.random.default_rng(6))
    found = interrupted_time_series(values, times, 18)
    sigma = found.autocorrelation ** np.abs(times[:, None] - times[None, :])
    fitted = sm.GLS(values, design(times, 18), sigma=sigma).fit()
    low, high = fitted.conf_int().T
    for place, estimate in ((2, found.level), (3, found.slope)):
        assert estimate.value == pytest.approx(fitted.params[place])
        assert (estimate.low, estimate.high) == pytest.approx((low[place], high[place]))


@pytest.mark.parametrize("alike", [-0.4, 0.0, 0.3, 0.8])
def test_the_restricted_likelihood_is_that_of_the_contrasts(alike: float) -> None:
    """Its definition: the likelihood of what is left of the figures when the lines are taken out, by scipy's normal."""
    values, times = series(np.random.default_rng(8), 26)
    lines = design(times, 13)
    contrasts = np.linalg.svd(lines)[0][:, lines.shape[1] :]
    left = contrasts.T @ values

    def by_contrasts(correlation: float) -> float:
        steps = np.abs(times[:, None] - times[None, :])
        shape = (
            contrasts.T
            @ np.where(steps == 0, 1.0, np.sign(correlation) ** steps * abs(correlation) ** steps)
            @ contrasts
        )
        variance = left @ np.linalg.solve(shape, left) / len(left)
        return float(stats.multivariate_normal(cov=variance * shape).logpdf(left))

    gap = restricted_likelihood(values, lines, times, alike) - restricted_likelihood(values, lines, times, 0.5)
    assert gap == pytest.approx(by_contrasts(alike) - by_contrasts(0.5), abs=1e-8)


def test_without_errors_the_true_step_and_slope_are_found() -> None:
    times = np.arange(30.0)
    after = times >= 14
    noise = 1e-6 * np.random.default_rng(1).normal(size=30)
    found = interrupted_time_series(20 + 0.5 * times - 3 * after - 0.7 * after * (times - 14) + noise, times, 14)
    assert (found.level.value, found.slope.value) == pytest.approx((-3, -0.7), abs=1e-5)


def test_a_missing_month_is_a_longer_step_and_not_a_shorter_series() -> None:
    values, times = series(np.random.default_rng(2))
    kept = np.ones(36, dtype=bool)
    kept[[5, 22]] = False
    found = interrupted_time_series(values[kept], times[kept], 18)
    sigma = found.autocorrelation ** np.abs(times[kept][:, None] - times[kept][None, :])
    fitted = sm.GLS(values[kept], design(times[kept], 18), sigma=sigma).fit()
    assert found.level.value == pytest.approx(fitted.params[2])


@pytest.mark.parametrize("alike", [0.0, 0.4])
def test_the_interval_of_the_step_covers_it_nearly_as_often_as_it_says(alike: float) -> None:
    """Turner et al. 2021: every method is somewhat too narrow; 36 months, 200 times."""
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(200):
        values, times = series(rng, alike=alike)
        found = interrupted_time_series(values, times, 18)
        covered += found.level.low <= -4 <= found.level.high
    assert 0.85 <= covered / 200 <= 0.99


def test_it_says_how_many_months_it_needs() -> None:
    """Twelve on either side (Wagner et al. 2002, from memory)."""
    assert MONTHS_NEEDED == 12
    assert enough_months(12, 12)
    assert not enough_months(11, 40)
    assert not enough_months(40, 11)
