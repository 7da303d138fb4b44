"""Control charts of a series of months: a centre line and limits outside of which a point is not expected by chance.

Individuals and moving range for shares of time and for medians, which are no counts of independent trials; p and u
charts with Laney's adjustment for shares of events and for rates, where patients differ more (or less) than chance
alone would have it. Limits come from a declared baseline and are set anew from a declared change on.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

# Mean range of two normal values in standard deviations, and the upper limit of a moving range in mean ranges.
# Source: ASTM E2587, table of control-chart constants for n = 2 (values from memory); NIST/SEMATECH e-Handbook
# of Statistical Methods, 6.3.2.2, uses the same 1.128.
D2 = 1.128
D4 = 3.267
# Limits stand three standard deviations from the centre (Shewhart 1931).
SIGMAS = 3.0
# With fewer months no limits are drawn: a choice of this audit, the same number that run rules need. Opinions differ:
# "as few as five or six" (Wheeler, Understanding Variation), "20 to 30" (Provost & Murray, The Health Care Data Guide).
FEWEST_POINTS = 10
# With fewer months than this limits are called provisional (Provost & Murray, as above).
FIRM_POINTS = 20


@dataclass(frozen=True)
class Limits:
    """Centre and limits, one number a point; nan where the point has no limits.

    points: how many points of the baseline they rest on. sigma_z: Laney's factor, 1 where there is none.
    """

    centre: np.ndarray
    low: np.ndarray
    high: np.ndarray
    points: int
    sigma_z: float = 1.0

    @property
    def provisional(self) -> bool:
        """Whether the limits rest on fewer points than firm ones need."""
        return self.points < FIRM_POINTS


def moving_ranges(values: np.ndarray) -> np.ndarray:
    """The distances between neighbouring values."""
    return np.abs(np.diff(values))


def individuals(values: np.ndarray, baseline: np.ndarray) -> Limits:
    """Limits of single values: the mean, three times the mean moving range / 1.128 to either side.

    values: in any unit, nan where there is none. baseline: which points the limits are made from, as booleans;
    moving ranges are taken between neighbours of the baseline that have a value.
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    own = values[baseline & ~np.isnan(values)]
    if len(own) < 2:
        return _none(len(values), len(own))
    reach = SIGMAS * moving_ranges(own).mean() / D2
    middle = own.mean()
    whole = np.full(len(values), middle)
    return Limits(whole, whole - reach, whole + reach, len(own))


def moving_range_limit(values: np.ndarray) -> float:
    """The moving range above which a step from one point to the next is not expected by chance."""
    return float(D4 * moving_ranges(values).mean())


def proportions(events: np.ndarray, trials: np.ndarray, baseline: np.ndarray, laney: bool = True) -> Limits:
    """Limits of proportions, events / trials, as fractions; nan where there are no trials.

    laney: widens (or narrows) the limits by the spread of the standardised proportions, which patients that differ
    and very many trials make unlike 1. Without it these are the plain limits of a p chart.
    Source: Laney, Qual Eng 2002;14:531-7.
    """
    known = baseline & (trials > 0)
    if not trials[known].sum():
        return _none(len(events), 0)
    middle = events[known].sum() / trials[known].sum()
    return _attribute_limits(events, trials, known, middle, max(0.0, middle * (1 - middle)), laney, highest=1.0)


def rates(events: np.ndarray, exposure: np.ndarray, baseline: np.ndarray, laney: bool = True) -> Limits:
    """Limits of rates, events / exposure; nan where there is no exposure. With exposure 1 this is a c chart.

    Source: Laney, Qual Eng 2002;14:531-7; NIST/SEMATECH e-Handbook 6.3.3.1 for the plain limits.
    """
    known = baseline & (exposure > 0)
    if not exposure[known].sum():
        return _none(len(events), 0)
    middle = events[known].sum() / exposure[known].sum()
    return _attribute_limits(events, exposure, known, middle, middle, laney, highest=np.inf)


def _attribute_limits(
    events: np.ndarray,
    sizes: np.ndarray,
    known: np.ndarray,
    middle: float,
    variance: float,
    laney: bool,
    highest: float,
) -> Limits:
    with np.errstate(divide="ignore", invalid="ignore"):
        sigma = np.where(sizes > 0, np.sqrt(variance / sizes), np.nan)
        scores = np.where(variance > 0, (events / sizes - middle) / sigma, 0.0)
    factor = float(moving_ranges(scores[known]).mean()) / D2 if laney and known.sum() > 1 else 1.0
    # Months exactly alike would leave no room at all: then the plain limits.
    factor = factor or 1.0
    reach = SIGMAS * sigma * factor
    centre = np.where(np.isnan(sigma), np.nan, middle)
    low, high = np.clip(centre - reach, 0, None), np.clip(centre + reach, None, highest)
    return Limits(centre, low, high, int(known.sum()), factor)


def _none(length: int, points: int) -> Limits:
    nothing = np.full(length, np.nan)
    return Limits(nothing, nothing, nothing, points)


def phases(length: int, starts: Sequence[int]) -> list[slice]:
    """The stretches of a series between declared changes: each start is the first point of a new stretch.

    >>> phases(12, [5])
    [slice(0, 5, None), slice(5, 12, None)]
    """
    borders = sorted({0, length, *(start for start in starts if 0 < start < length)})
    return [slice(first, last) for first, last in pairwise(borders)]


def joined(parts: Sequence[Limits], fewest: int = FEWEST_POINTS) -> Limits:
    """The limits of the stretches of one series, one after the other; a stretch with too few points has none.

    `points` and `sigma_z` are those of the last stretch.
    """
    shown = [part if part.points >= fewest else _none(len(part.centre), part.points) for part in parts]
    centre, low, high = (np.concatenate([getattr(part, name) for part in shown]) for name in ("centre", "low", "high"))
    return Limits(centre, low, high, parts[-1].points, parts[-1].sigma_z)
