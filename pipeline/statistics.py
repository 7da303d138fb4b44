"""Intervals for shares, rates and medians; 95 % throughout."""

import warnings

import numpy as np
from scipy import stats

CONFIDENCE = 0.95
BOOTSTRAP_REPEATS = 1000
_Z = float(stats.norm.ppf(0.5 + CONFIDENCE / 2))
_TAILS = (100 * (1 - CONFIDENCE) / 2, 100 * (1 + CONFIDENCE) / 2)
# So many draws at a time stay in the processor's cache.
_DRAWN_AT_ONCE = 65_536
# From so many patients on, the totals of draws are normal unless their skewness is above this: 0.05 moves the ends of
# an interval by 0.02 standard errors (Cornish-Fisher: skewness / 6 x (1.96**2 - 1)), and 1000 repeats let them wander
# by 0.08.
_MANY_PATIENTS = 10_000
_MOST_SKEWNESS = 0.05


def wilson(successes: np.ndarray, trials: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Wilson's score interval of a proportion, as fractions; nan where there are no trials.

    Source: Wilson 1927; method 3 in Newcombe, Stat Med 1998;17:857-72.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = successes / trials
        middle = share + _Z**2 / (2 * trials)
        reach = _Z * np.sqrt(share * (1 - share) / trials + _Z**2 / (4 * trials**2))
        scale = 1 + _Z**2 / trials
        low, high = (middle - reach) / scale, (middle + reach) / scale
    return np.clip(low, 0, 1), np.clip(high, 0, 1)


def poisson_rate(events: np.ndarray, exposure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Exact interval of a rate, events / exposure; nan where there is no exposure.

    Source: Garwood, Biometrika 1936;28:437-42 (chi-squared limits of a Poisson count).
    """
    tail = (1 - CONFIDENCE) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        low = np.where(events > 0, stats.chi2.ppf(tail, 2 * events) / 2, 0.0) / exposure
        high = stats.chi2.ppf(1 - tail, 2 * events + 2) / 2 / exposure
    unknown = exposure <= 0
    return np.where(unknown, np.nan, low), np.where(unknown, np.nan, high)


def bootstrap_shares(numerators: np.ndarray, denominator: np.ndarray, seed: list[int]) -> np.ndarray:
    """Pooled shares of patients drawn with replacement: one row per repeat, one column per numerator.

    Of very many patients none of whom weighs much, the totals of a draw are taken from the normal distribution that
    they follow, with its exact mean and covariance. Source: Singh, Ann Stat 1981;9:1187-95 (from memory).
    numerators: one row per patient, one column per share; denominator: one number per patient, all above zero.
    """
    summed = np.column_stack([numerators, denominator]).astype(np.float64)
    generator = np.random.default_rng(seed)
    is_normal = len(summed) >= _MANY_PATIENTS and _skewness_of_totals(summed).max() <= _MOST_SKEWNESS
    totals = _normal_totals(summed, generator) if is_normal else _drawn_totals(summed, generator)
    return totals[:, :-1] / totals[:, -1:]


def _drawn_totals(summed: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    patients = len(summed)
    step = max(1, _DRAWN_AT_ONCE // max(patients, 1))
    parts = []
    for first in range(0, BOOTSTRAP_REPEATS, step):
        repeats = min(step, BOOTSTRAP_REPEATS - first)
        drawn = generator.integers(0, patients, (repeats, patients), dtype=np.int32)
        # How often each patient was drawn, repeat by repeat: to multiply by it is faster than to look each draw up.
        drawn += patients * np.arange(repeats, dtype=np.int32)[:, None]
        times = np.bincount(drawn.ravel(), minlength=repeats * patients).reshape(repeats, patients)
        parts.append(times.astype(np.float64) @ summed)
    return np.concatenate(parts)


def _normal_totals(summed: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    covariance = len(summed) * np.cov(summed, rowvar=False, bias=True)
    # Columns that add up to another make a covariance that is singular, which is no fault.
    return generator.multivariate_normal(summed.sum(axis=0), covariance, BOOTSTRAP_REPEATS, check_valid="ignore")


def _skewness_of_totals(summed: np.ndarray) -> np.ndarray:
    apart = summed - summed.mean(axis=0)
    spread = (apart**2).sum(axis=0) ** 1.5
    return np.abs((apart**3).sum(axis=0)) / np.where(spread > 0, spread, 1)


def bootstrap_median(values: np.ndarray, seed: list[int]) -> tuple[float, float]:
    """Interval of the median of one value a patient, from patients drawn with replacement.

    The patients are not drawn one by one: where the middle ones of a draw stand among all is drawn at once. Of n
    uniform numbers the k-th smallest is Beta(k, n - k + 1), and where it is u, the next one is
    u + (1 - u) Beta(1, n - k); such a number, times n, rounded down, is the place of a patient in order.
    Source: David & Nagaraja, Order Statistics, 3rd ed. 2003, chapter 2 (from memory).
    """
    patients, ordered = len(values), np.sort(values)
    generator = np.random.default_rng(seed)
    middle = (patients + 1) // 2
    places = generator.beta(middle, patients - middle + 1, BOOTSTRAP_REPEATS)
    medians = ordered[_place(places, patients)]
    if patients % 2 == 0:
        places += (1 - places) * generator.beta(1, patients - middle, BOOTSTRAP_REPEATS)
        medians = (medians + ordered[_place(places, patients)]) / 2
    return percentile_interval(medians)


def _place(uniform: np.ndarray, patients: int) -> np.ndarray:
    return np.minimum((uniform * patients).astype(np.int64), patients - 1)


def percentile_interval(repeats: np.ndarray) -> tuple[float, float]:
    """The middle 95 % of bootstrap repeats (percentile method; Efron & Tibshirani 1993)."""
    low, high = np.percentile(repeats, _TAILS)
    return float(low), float(high)


def median_with_censoring(values: np.ndarray, censored: np.ndarray) -> tuple[float, float, float]:
    """Median time by Kaplan-Meier with its interval; nan for what is not reached or cannot be said.

    The median is the first time at which the share still waiting is a half or less; the interval inverts the
    log-log interval of that share (Brookmeyer & Crowley, Biometrics 1982;38:29-41).
    """
    if censored.all():
        return np.nan, np.nan, np.nan
    waiting = stats.ecdf(stats.CensoredData(uncensored=values[~censored], right=values[censored])).sf
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        # The log-log interval of nobody waiting is undefined: it is left out below.
        warnings.simplefilter("ignore", RuntimeWarning)
        band = waiting.confidence_interval(CONFIDENCE, method="log-log")
    return (
        _first_time_at_half(waiting.quantiles, waiting.probabilities),
        _first_time_at_half(band.low.quantiles, band.low.probabilities),
        _first_time_at_half(band.high.quantiles, band.high.probabilities),
    )


def _first_time_at_half(times: np.ndarray, waiting: np.ndarray) -> float:
    # The share is a product of fractions: a half may come out a hair above it.
    reached = times[np.nan_to_num(waiting, nan=1.0).round(12) <= 0.5]
    return float(reached[0]) if len(reached) else np.nan
