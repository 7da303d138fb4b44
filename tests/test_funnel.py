"""Funnel limits against the published formula worked through, other people's libraries, and simulated hospitals."""

import warnings

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.funnel import (
    FEWEST_WARDS,
    LEVELS,
    Spread,
    beyond_binomial,
    binomial_limits,
    proportion_limits,
    proportion_spread,
    ratio_error,
    spread,
    time_share_limits,
)

# --- proportions ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "level", "low", "high"),
    [
        (50, 0.95, 0.5599, 0.8139),
        (50, 0.998, 0.4809, 0.8769),
        (100, 0.95, 0.6031, 0.7831),
        (100, 0.998, 0.5484, 0.8297),
    ],
)
def test_exact_limits_are_those_of_the_published_formula(size: int, level: float, low: float, high: float) -> None:
    """Spiegelhalter 2005, appendix: exact binomial with interpolation, true proportion 0.70 (numbers derived)."""
    found = binomial_limits(0.70, np.array([size]), level)
    assert (found[0][0], found[1][0]) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("share", [0.05, 0.3, 0.7])
def test_exact_limits_stand_between_the_counts_that_scipy_gives(share: float, level: float) -> None:
    """The limit lies within one count below the count whose probability first reaches the tail."""
    sizes = np.arange(10, 400, 7)
    for limit, tail in zip(binomial_limits(share, sizes, level), ((1 - level) / 2, (1 + level) / 2), strict=True):
        reached = stats.binom.ppf(tail, sizes, share)
        assert ((limit <= reached / sizes + 1e-12) & (limit >= np.maximum(reached - 1, 0) / sizes - 1e-12)).all()


def test_limits_close_in_on_the_hospital_as_wards_grow() -> None:
    low, high = binomial_limits(0.3, np.array([10, 100, 1000, 100_000]), 0.95)
    assert (np.diff(high - low) < 0).all()
    assert (low[-1], high[-1]) == pytest.approx((0.3, 0.3), abs=0.003)


def test_a_proportion_of_0_or_1_has_limits_without_a_word_on_the_screen() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        nothing = binomial_limits(0.0, np.array([12.0]), 0.95)
        everything = binomial_limits(1.0, np.array([12.0]), 0.95)
    assert (nothing[0][0], nothing[1][0]) == (0, 0)
    assert (everything[0][0], everything[1][0]) == (1, 1)


def test_wards_of_one_hospital_lie_outside_as_seldom_as_the_limits_say() -> None:
    """4000 wards of 60 with a true proportion of 0.3; counts being whole, no more than 5 % and 0.2 %."""
    rng = np.random.default_rng(1)
    counts, sizes = rng.binomial(60, 0.3, 4000), np.full(4000, 60)
    for level, least, most in ((0.95, 0.02, 0.055), (0.998, 0.0, 0.004)):
        assert least <= (beyond_binomial(0.3, counts, sizes, level) != 0).mean() <= most


@pytest.mark.parametrize("level", LEVELS)
def test_a_count_is_beyond_by_its_exact_probability(level: float) -> None:
    """scipy.stats.binomtest, one-sided, for every count of 25."""
    counts = np.arange(26)
    found = beyond_binomial(0.3, counts, np.full(26, 25), level)
    for count, side in zip(counts, found, strict=True):
        for name, expected in (("greater", 1), ("less", -1)):
            chance = stats.binomtest(int(count), 25, 0.3, alternative=name).pvalue
            assert (side == expected) == (chance <= (1 - level) / 2)


def test_a_small_ward_with_all_of_its_events_is_not_beyond_what_is_usual() -> None:
    """16 of 16 where 95 % is usual comes about in 0.95 ** 16 = 44 of 100 such wards; the line stands just under it."""
    assert binomial_limits(0.95, np.array([16]), 0.998)[1][0] < 1
    assert beyond_binomial(0.95, np.array([16]), np.array([16]), 0.95)[0] == 0


# --- wards that differ beyond chance ----------------------------------------------------------------------------


def test_phi_is_the_mean_square_of_the_winsorised_figures() -> None:
    """By hand: of -9, -2, -1, 0, 1, 2, 3, 4, 5, 20 the tenths are -2.7 and 6.5; mean square 113.54 / 10."""
    scores = np.array([-9.0, -2, -1, 0, 1, 2, 3, 4, 5, 20])
    found = spread(scores, np.full(10, 0.01))
    assert found.phi == pytest.approx((2.7**2 + 4 + 1 + 0 + 1 + 4 + 9 + 16 + 25 + 6.5**2) / 10)
    # Variances alike: the weights cancel, (10 phi - 9) / (1000 - 100).
    assert found.tau2 == pytest.approx((10 * found.phi - 9) / 900)


def test_without_winsorising_tau2_is_that_of_dersimonian_and_laird(monkeypatch: pytest.MonkeyPatch) -> None:
    """statsmodels, combine_effects with method "chi2"; its centre is the weighted mean, as given here."""
    monkeypatch.setattr("pipeline.funnel.WINSORISED", 0.0)
    rng = np.random.default_rng(4)
    for _ in range(20):
        variances = rng.uniform(0.5, 4, 9)
        figures = rng.normal(20, 6, 9)
        centre = (figures / variances).sum() / (1 / variances).sum()
        expected = combine_effects(figures, variances, method_re="chi2").tau2
        found = spread((figures - centre) / np.sqrt(variances), variances)
        assert found.phi > 1 + 2 * np.sqrt(2 / 9)
        assert found.tau2 == pytest.approx(expected)


def test_a_spread_that_chance_may_give_widens_nothing() -> None:
    """1 + 2 sqrt(2 / 8) = 2 for eight wards (Spiegelhalter 2005, from memory)."""
    for score, widened in ((1.41, False), (1.42, True)):
        found = spread(np.array([score, -score] * 4), np.full(8, 0.01))
        assert found.phi == pytest.approx(score**2)
        assert (found.tau2 > 0) is widened


def test_wards_that_differ_no_more_than_chance_keep_the_exact_limits() -> None:
    trials = np.array([80.0, 120, 60, 200, 90, 150])
    found = proportion_spread(np.round(trials * 0.25), trials, 0.25)
    assert found.tau2 == 0
    exact, widened = binomial_limits(0.25, trials, 0.95), proportion_limits(0.25, trials, 0.95, found)
    assert np.array_equal(exact[0], widened[0])


def test_wards_that_differ_widen_the_limits_for_all() -> None:
    trials = np.full(10, 400.0)
    events = np.array([40.0, 160, 60, 140, 80, 120, 100, 90, 110, 100])
    found = proportion_spread(events, trials, 0.25)
    assert found.phi > 5
    narrow, wide = proportion_limits(0.25, trials, 0.95), proportion_limits(0.25, trials, 0.95, found)
    assert wide[0][0] < narrow[0][0] < 0.25 < narrow[1][0] < wide[1][0]


def test_four_wards_are_too_few_to_judge_their_spread() -> None:
    found = spread(np.array([9.0, -9, 9, -9]), np.ones(4))
    assert found == Spread(1.0, 0.0, 4)
    assert FEWEST_WARDS == 5


# --- shares of time ---------------------------------------------------------------------------------------------


def hospital(patients: int, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Seconds above the band and seconds observed: most patients have little above, a few have much."""
    rng = np.random.default_rng(seed)
    observed = rng.gamma(1.5, 100_000, patients) + 600
    return observed * rng.beta(0.4, 3, patients), observed


def test_the_error_of_a_share_of_time_is_that_of_scipys_bootstrap() -> None:
    above, observed = hospital(200)
    expected = stats.bootstrap(
        (above, observed),
        lambda numerator, denominator, axis: numerator.sum(axis=axis) / denominator.sum(axis=axis),
        paired=True,
        vectorized=True,
        n_resamples=4000,
        method="percentile",
        rng=np.random.default_rng(9),
    ).standard_error
    assert ratio_error(above, observed, np.array([200]))[0] == pytest.approx(expected, rel=0.06)


def test_seconds_are_no_trials() -> None:
    """Taken for independent trials, the seconds of 50 patients would give limits a hundred times too narrow."""
    above, observed = hospital(400)
    share = above.sum() / observed.sum()
    sizes = np.array([50])
    low, high = time_share_limits(above, observed, sizes, 0.95)
    as_trials = binomial_limits(share, np.round(sizes * observed.mean()), 0.95)
    assert (high - low)[0] > 100 * (as_trials[1] - as_trials[0])[0]


def test_wards_like_the_hospital_lie_outside_about_as_often_as_the_limits_say() -> None:
    """3000 wards of 40 patients each drawn from one distribution; limits from one hospital of 600 of them."""
    above, observed = hospital(600)
    ward_above, ward_observed = (part.reshape(3000, 40) for part in hospital(120_000, seed=77))
    shares = ward_above.sum(axis=1) / ward_observed.sum(axis=1)
    for level, least, most in ((0.95, 0.03, 0.08), (0.998, 0.0, 0.01)):
        low, high = time_share_limits(above, observed, np.array([40]), level)
        assert least < ((shares < low) | (shares > high)).mean() < most


@pytest.mark.parametrize("size", [10, 30, 100])
def test_the_limits_of_a_share_of_time_are_those_of_patients_drawn_again_and_again(size: int) -> None:
    """100,000 draws of as many patients: limits within a fifth of a standard error, outer ones within half."""
    above, observed = hospital(500)
    rng = np.random.default_rng(5)
    drawn = rng.integers(0, 500, (100_000, size))
    shares = above[drawn].sum(axis=1) / observed[drawn].sum(axis=1)
    for level, within in ((0.95, 0.2), (0.998, 0.5)):
        expected = np.percentile(shares, [50 * (1 - level), 50 * (1 + level)])
        found = [end[0] for end in time_share_limits(above, observed, np.array([size]), level)]
        assert found == pytest.approx(list(expected), abs=within * shares.std())


def test_the_limits_of_a_share_of_time_are_lopsided_where_patients_are() -> None:
    above, observed = hospital(500)
    low, high = time_share_limits(above, observed, np.array([10]), 0.998)
    whole = above.sum() / observed.sum()
    assert high[0] - whole > 1.5 * (whole - low[0])
    assert low[0] >= 0


def test_the_variance_between_wards_widens_a_share_of_time_and_0_does_not() -> None:
    above, observed = hospital(300)
    sizes = np.array([20, 80])
    narrow, wide = (time_share_limits(above, observed, sizes, 0.95, tau2) for tau2 in (0.0, 0.001))
    assert np.array_equal(narrow[0], time_share_limits(above, observed, sizes, 0.95)[0])
    assert (wide[0] < narrow[0]).all()
    assert (wide[1] > narrow[1]).all()


def test_patients_all_alike_leave_no_room() -> None:
    observed = np.array([100.0, 300, 700])
    low, high = time_share_limits(observed / 4, observed, np.array([9]), 0.95)
    assert (low[0], high[0]) == (0.25, 0.25)
