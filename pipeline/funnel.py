"""Funnel limits: how far a ward's figure may lie from the hospital's by chance, given how much it rests on.

A ward outside its limits differs from the hospital by more than chance; it is not better or worse for that, and the
limits do not know which patients it cares for. Wards that differ more than chance widen the limits for all
(over-dispersion), since then not every ward can be the exception.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

# The usual two pairs of limits: 95 % and 99.8 % (Spiegelhalter, Stat Med 2005;24:1185-202).
LEVELS = (0.95, 0.998)
# Standardised figures further out than this share of them at either end are drawn in to it before their spread is
# judged, so that one odd ward does not widen the limits of all (the same paper, appendix).
WINSORISED = 0.1
# With fewer wards their spread says too little: a choice of this audit, no source.
FEWEST_WARDS = 5


@dataclass(frozen=True)
class Spread:
    """How much wards differ beyond chance: phi is 1 when they do not; tau2 the variance between them, 0 then."""

    phi: float
    tau2: float
    wards: int


NO_SPREAD = Spread(1.0, 0.0, 0)


def binomial_limits(share: float, sizes: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Limits of a proportion among `sizes` independent trials when its true value is `share`, as fractions.

    Exact binomial, with interpolation between whole counts so that the lines are smooth: r is the smallest count with
    P(R <= r) >= p; the limit is (r - a) / n, with a = (F(r) - p) / (F(r) - F(r - 1)).
    Source: Spiegelhalter, Stat Med 2005;24:1185-202, appendix A.1.
    """
    if share in (0, 1):
        # No trial can come out otherwise; interpolation would leave room where there is none.
        return np.full(len(sizes), share, dtype=float), np.full(len(sizes), share, dtype=float)
    tail = (1 - level) / 2
    low, high = (_interpolated(share, sizes, p) for p in (tail, 1 - tail))
    return np.clip(low, 0, 1), np.clip(high, 0, 1)


def beyond_binomial(share: float, events: np.ndarray, trials: np.ndarray, level: float) -> np.ndarray:
    """On which side of the exact limits each count lies: 1 above, -1 below, 0 within.

    A count is beyond when one as far out has a probability of at most the tail. The lines of `binomial_limits` stand
    between two counts, so a count just past a line can still be within: 16 of 16 is no surprise when 95 % is usual.
    """
    tail = (1 - level) / 2
    above = stats.binom.sf(events - 1, trials, share) <= tail
    below = stats.binom.cdf(events, trials, share) <= tail
    return above.astype(int) - below.astype(int)


def _interpolated(share: float, sizes: np.ndarray, p: float) -> np.ndarray:
    count = stats.binom.ppf(p, sizes, share)
    reached, below = stats.binom.cdf(count, sizes, share), stats.binom.cdf(count - 1, sizes, share)
    return (count - (reached - p) / (reached - below)) / sizes


def proportion_spread(events: np.ndarray, trials: np.ndarray, share: float) -> Spread:
    """How much the proportions of wards differ beyond chance, on the scale of the arcsine of the root.

    On that scale the variance of a proportion is 1 / (4 n) whatever it is.
    """
    scores = 2 * np.sqrt(trials) * (np.arcsin(np.sqrt(events / trials)) - np.arcsin(np.sqrt(share)))
    return spread(scores, 1 / (4 * trials))


def spread(scores: np.ndarray, variances: np.ndarray) -> Spread:
    """Winsorised phi of standardised figures, and the variance between wards that explains what it is above 1.

    scores: (figure - hospital's) / its standard error by chance; variances: the squares of those errors.
    tau2 is the estimate of DerSimonian and Laird from the winsorised phi; 0 while phi does not clearly exceed 1, that
    is up to 1 + 2 sqrt(2 / wards).
    Source: Spiegelhalter, Stat Med 2005;24:1185-202 (the bound from memory), and Spiegelhalter et al., J R Stat Soc A
    2012;175:1-47.
    """
    wards = len(scores)
    if wards < FEWEST_WARDS:
        return Spread(1.0, 0.0, wards)
    drawn_in = np.clip(scores, *np.quantile(scores, (WINSORISED, 1 - WINSORISED)))
    phi = float((drawn_in**2).mean())
    if phi <= 1 + 2 * np.sqrt(2 / wards):
        return Spread(phi, 0.0, wards)
    weights = 1 / variances
    between = (wards * phi - (wards - 1)) / (weights.sum() - (weights**2).sum() / weights.sum())
    return Spread(phi, max(0.0, float(between)), wards)


def proportion_limits(
    share: float, sizes: np.ndarray, level: float, between: Spread = NO_SPREAD
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of a proportion, widened by the variance between wards where there is one.

    Without it they are the exact ones; with it normal limits on the arcsine scale, variances added.
    """
    if between.tau2 == 0:
        return binomial_limits(share, sizes, level)
    reach = stats.norm.ppf(0.5 + level / 2) * np.sqrt(1 / (4 * sizes) + between.tau2)
    middle = np.arcsin(np.sqrt(share))
    low, high = np.clip(middle - reach, 0, np.pi / 2), np.clip(middle + reach, 0, np.pi / 2)
    return np.sin(low) ** 2, np.sin(high) ** 2


def ratio_error(numerator: np.ndarray, denominator: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Standard error of the share of time of `sizes` patients who are like these: one row a patient, times in seconds.

    A share of time is a ratio of two sums over patients, not a count of trials: its error comes from how much patients
    differ, not from how many seconds there are.
    Source: the ratio estimator, Cochran, Sampling Techniques (1977), chapter 6.
    """
    share = numerator.sum() / denominator.sum()
    apart = (numerator - share * denominator).std(ddof=1) / denominator.mean()
    return apart / np.sqrt(sizes)


def time_share_limits(
    numerator: np.ndarray, denominator: np.ndarray, sizes: np.ndarray, level: float, tau2: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of a share of time by number of patients when they are like the hospital's, as fractions.

    numerator, denominator: one row a patient of the hospital (a patient in two wards: a row in each), in seconds.
    tau2: variance between wards, added to that of chance. A few patients with much time above make small wards
    lopsided, so the limits are quantiles of the Pearson type III distribution with the mean, the standard error and
    the skewness of such a share, and not of a normal one.
    Source: ratio estimator, Cochran, Sampling Techniques (1977), chapter 6; the skewness of a mean of n is 1 / root n
    of that of one. The choice of the distribution is this audit's own, checked against draws of patients.
    """
    share = numerator.sum() / denominator.sum()
    errors = ratio_error(numerator, denominator, sizes)
    if not (errors > 0).all():
        return np.full(len(sizes), share), np.full(len(sizes), share)
    wider = np.sqrt(errors**2 + tau2)
    skewness = stats.skew(numerator - share * denominator) / np.sqrt(sizes) * (errors / wider) ** 3
    tail = (1 - level) / 2
    low, high = (stats.pearson3.ppf(p, skewness, loc=share, scale=wider) for p in (tail, 1 - tail))
    return np.clip(low, 0, 1), np.clip(high, 0, 1)
