"""Intervals for shares, rates and medians; 95 % throughout."""

import warnings

import numpy as np
from scipy import stats

CONFIDENCE = 0.95
BOOTSTRAP_REPEATS = 1000
_Z = float(stats.norm.ppf(0.5 + CONFIDENCE / 2))
_TAILS = (100 * (1 - CONFIDENCE) / 2, 100 * (1 + CONFIDENCE) / 2)
# So many numbers at a time keep the bootstrap of a large hospital within a few hundred megabytes.
_DRAWN_AT_ONCE = 10_000_000


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

    numerators: one row per patient, one column per share; denominator: one number per patient, all above zero.
    """
    patients = len(denominator)
    generator = np.random.default_rng(seed)
    step = max(1, _DRAWN_AT_ONCE // max(patients, 1))
    parts = []
    for first in range(0, BOOTSTRAP_REPEATS, step):
        repeats = min(step, BOOTSTRAP_REPEATS - first)
        drawn = generator.integers(0, patients, (repeats, patients), dtype=np.int32)
        total = denominator[drawn].sum(axis=1)
        parts.append(np.stack([column[drawn].sum(axis=1) / total for column in numerators.T], axis=1))
    return np.concatenate(parts)


def bootstrap_median(values: np.ndarray, seed: list[int]) -> tuple[float, float]:
    """Interval of the median of one value a patient, from patients drawn with replacement."""
    patients = len(values)
    generator = np.random.default_rng(seed)
    step = max(1, _DRAWN_AT_ONCE // max(patients, 1))
    medians = [
        np.median(values[generator.integers(0, patients, (min(step, BOOTSTRAP_REPEATS - first), patients))], axis=1)
        for first in range(0, BOOTSTRAP_REPEATS, step)
    ]
    return percentile_interval(np.concatenate(medians))


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
