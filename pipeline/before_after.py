"""The difference between before and after a declared change, with an interval; and interrupted time series.

A difference that is clear says that something changed, not what changed it.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from pipeline.statistics import BOOTSTRAP_REPEATS, CONFIDENCE, percentile_interval, wilson

# Months needed on either side of the change for an interrupted time series.
# Source: Wagner et al., J Clin Pharm Ther 2002;27:299-309: 12 points before and 12 after (from memory).
MONTHS_NEEDED = 12
# Autocorrelation beyond this could not be told from a drifting series of this length.
_MOST_ALIKE = 0.95
# So many draws at a time keep the bootstrap of a large hospital within some tens of megabytes.
_PATIENTS_AT_ONCE = 1_000_000


@dataclass(frozen=True)
class Difference:
    """Figures before and after, and their difference (after - before) with its 95 % interval, in the figures' unit.

    nan: not known; low and high are nan where no interval can be given.
    """

    before: float
    after: float
    change: float
    low: float
    high: float

    @property
    def clear(self) -> bool:
        """Whether the interval leaves 0 out."""
        return self.low > 0 or self.high < 0


def newcombe(events_before: float, trials_before: float, events_after: float, trials_after: float) -> Difference:
    """The difference of two proportions of independent trials, with Newcombe's hybrid of Wilson's intervals.

    Source: Newcombe, Stat Med 1998;17:873-90, method 10.
    """
    events, trials = np.array([events_before, events_after]), np.array([trials_before, trials_after])
    if not (trials > 0).all():
        return Difference(*[np.nan] * 5)
    before, after = (float(share) for share in events / trials)
    low, high = wilson(events, trials)
    change = after - before
    return Difference(
        before,
        after,
        change,
        change - float(np.hypot(after - low[1], high[0] - before)),
        change + float(np.hypot(high[1] - after, before - low[0])),
    )


def of_proportions(events: np.ndarray, trials: np.ndarray) -> Difference:
    """The difference of two proportions of events, where one patient may have several: Newcombe's on effective numbers.

    events, trials: one row a patient, columns before and after. Events of one patient are alike, so they count for
    fewer: both numbers are divided by the design effect of their side, the variance over patients against that of
    independent trials, which is never taken for less than 1. Where all or none of the events came, it is events a
    patient. A patient on both sides is taken for two.
    Source: Rao & Scott, Biometrics 1992;48:577-85, for the effective numbers; Newcombe as above.
    """
    sides = []
    for side in (0, 1):
        there = trials[:, side] > 0
        sides.append(_effective(events[there, side], trials[there, side]))
    return newcombe(*sides[0], *sides[1])


def _effective(events: np.ndarray, trials: np.ndarray) -> tuple[float, float]:
    patients, whole = len(trials), trials.sum()
    if patients == 0:
        return 0.0, 0.0
    share = events.sum() / whole
    if share in (0, 1) or patients == 1:
        effect = whole / patients
    else:
        variance = patients / (patients - 1) * ((events - share * trials) ** 2).sum() / whole**2
        effect = max(1.0, variance * whole / (share * (1 - share)))
    return float(events.sum() / effect), float(whole / effect)


def of_shares(numerators: np.ndarray, denominators: np.ndarray, seed: list[int]) -> Difference:
    """The difference of two pooled shares or rates, with a bootstrap over patients.

    numerators, denominators: one row a patient, columns before and after; 0 where the patient was not there. Patients
    are drawn with replacement, each with both columns: who was there before and after stays one patient.
    Source: percentile bootstrap, Efron & Tibshirani 1993.
    """
    whole = denominators.sum(axis=0)
    if not (whole > 0).all():
        return Difference(*[np.nan] * 5)
    before, after = (float(share) for share in numerators.sum(axis=0) / whole)

    def change(drawn: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore", invalid="ignore"):
            shares = [numerators[drawn, side].sum(axis=1) / denominators[drawn, side].sum(axis=1) for side in (0, 1)]
        return shares[1] - shares[0]

    low, high = _bootstrap(change, len(numerators), seed, (denominators > 0).sum(axis=0).min())
    return Difference(before, after, after - before, low, high)


def of_medians(
    values: np.ndarray, censored: np.ndarray, after: np.ndarray, patients: np.ndarray, seed: list[int]
) -> Difference:
    """The difference of two medians by Kaplan-Meier, with a bootstrap over patients.

    One row an event: its value, whether its end had not come, whether it lies after the change, and the number of its
    patient, from 0 on. nan: a median that is not reached; no interval where that happens in over one draw in forty.
    """
    sides = [_Waiting(values[side], censored[side], patients[side]) for side in (~after, after)]
    count = int(patients.max()) + 1 if len(patients) else 0
    before, after_it = (float(side.medians(np.ones((1, count)))[0]) for side in sides)
    if min(len(np.unique(side.patients)) for side in sides) < 2:
        return Difference(before, after_it, after_it - before, np.nan, np.nan)
    generator = np.random.default_rng(seed)
    step = max(1, _PATIENTS_AT_ONCE // max(len(values), count))
    repeats = []
    for first in range(0, BOOTSTRAP_REPEATS, step):
        drawn = generator.multinomial(count, np.full(count, 1 / count), size=min(step, BOOTSTRAP_REPEATS - first))
        repeats.append(sides[1].medians(drawn) - sides[0].medians(drawn))
    changes = np.concatenate(repeats)
    known = changes[~np.isnan(changes)]
    low, high = percentile_interval(known) if len(known) > len(changes) * 39 / 40 else (np.nan, np.nan)
    return Difference(before, after_it, after_it - before, low, high)


class _Waiting:
    """Times to an event on one side of the change, in order; ends that had not come stand after events of that time."""

    def __init__(self, values: np.ndarray, censored: np.ndarray, patients: np.ndarray) -> None:
        order = np.lexsort((censored, values))
        self.values, self.came, self.patients = values[order], ~censored[order], patients[order]

    def medians(self, drawn: np.ndarray) -> np.ndarray:
        """The median of each draw, a row each: how often every patient was drawn; nan where it is not reached."""
        if not len(self.values):
            return np.full(len(drawn), np.nan)
        weights = drawn[:, self.patients].astype(float)
        at_risk = np.cumsum(weights[:, ::-1], axis=1)[:, ::-1]
        gone = np.divide(weights * self.came, at_risk, out=np.zeros_like(weights), where=at_risk > 0)
        # The share is a product of fractions: a half may come out a hair above it.
        reached = np.cumprod(1 - gone, axis=1).round(12) <= 0.5
        return np.where(reached.any(axis=1), self.values[reached.argmax(axis=1)], np.nan)


def _bootstrap(
    change: Callable[[np.ndarray], np.ndarray], patients: int, seed: list[int], on_a_side: int
) -> tuple[float, float]:
    # One patient on a side, drawn again and again, would look certain.
    if on_a_side < 2:
        return np.nan, np.nan
    generator = np.random.default_rng(seed)
    step = max(1, _PATIENTS_AT_ONCE // patients)
    repeats = np.concatenate(
        [
            change(generator.integers(0, patients, (min(step, BOOTSTRAP_REPEATS - first), patients), dtype=np.int32))
            for first in range(0, BOOTSTRAP_REPEATS, step)
        ]
    )
    # A draw with nobody on one side has no difference.
    return percentile_interval(repeats[~np.isnan(repeats)])


@dataclass(frozen=True)
class Estimate:
    """One coefficient with its 95 % interval, in the unit of the figures."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Interrupted:
    """A straight line before the change and another after it.

    level: the step at the first month after the change, against where the first line would have been. slope: how much
    more (or less) the figure rises each month after the change than before. autocorrelation: of neighbouring months.
    """

    level: Estimate
    slope: Estimate
    autocorrelation: float


def enough_months(months_before: int, months_after: int) -> bool:
    """Whether an interrupted time series can be fitted: at least `MONTHS_NEEDED` months on either side."""
    return min(months_before, months_after) >= MONTHS_NEEDED


def interrupted_time_series(values: np.ndarray, times: np.ndarray, change_at: float) -> Interrupted:
    """Segmented regression with autoregressive errors (each month resembles its neighbour), by restricted likelihood.

    values: one a month, known. times: their places in months, rising, gaps allowed. change_at: the first month after
    the change. Intervals by Student's t; they are still a little narrow, as the study below found of every method.
    Source: Wagner et al., J Clin Pharm Ther 2002;27:299-309, for the model; Turner et al., BMC Med Res Methodol
    2021;21:181, for restricted likelihood in series of 12 points and more.
    """
    after = (times >= change_at).astype(float)
    design = np.column_stack([np.ones(len(times)), times - times[0], after, after * (times - change_at)])
    best = optimize.minimize_scalar(
        lambda alike: -restricted_likelihood(values, design, times, alike),
        bounds=(-_MOST_ALIKE, _MOST_ALIKE),
        method="bounded",
    )
    alike = float(best.x)
    coefficients, errors = _least_squares(values, design, times, alike)
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, len(values) - design.shape[1]) * errors
    level, slope = (
        Estimate(float(coefficients[k]), float(coefficients[k] - reach[k]), float(coefficients[k] + reach[k]))
        for k in (2, 3)
    )
    return Interrupted(level, slope, alike)


def _correlation(times: np.ndarray, alike: float) -> np.ndarray:
    steps = np.abs(times[:, None] - times[None, :])
    return np.where(steps == 0, 1.0, np.sign(alike) ** steps * np.abs(alike) ** steps)


def _least_squares(
    values: np.ndarray, design: np.ndarray, times: np.ndarray, alike: float
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and their standard errors by generalised least squares."""
    weights = np.linalg.inv(_correlation(times, alike))
    covariance = np.linalg.inv(design.T @ weights @ design)
    coefficients = covariance @ design.T @ weights @ values
    rest = values - design @ coefficients
    variance = rest @ weights @ rest / (len(values) - design.shape[1])
    return coefficients, np.sqrt(variance * np.diag(covariance))


def restricted_likelihood(values: np.ndarray, design: np.ndarray, times: np.ndarray, alike: float) -> float:
    """Log restricted likelihood of an autocorrelation, the variance at its best, up to a constant.

    Source: Harville, J Am Stat Assoc 1977;72:320-38 (from memory).
    """
    matrix = _correlation(times, alike)
    weights = np.linalg.inv(matrix)
    information = design.T @ weights @ design
    coefficients = np.linalg.solve(information, design.T @ weights @ values)
    rest = values - design @ coefficients
    freedom = len(values) - design.shape[1]
    spread = rest @ weights @ rest / freedom
    return float(
        -0.5
        * (np.linalg.slogdet(matrix)[1] + np.linalg.slogdet(information)[1] + freedom * np.log(max(spread, 1e-300)))
    )
