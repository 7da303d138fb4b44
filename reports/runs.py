"""Whether a short series holds a shift, by the rules of run charts. It judges figures shown; it computes no measure."""

from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from math import log2
from statistics import median

from scipy import stats

FEWEST_POINTS = 10


class Shift(StrEnum):
    """What a run chart says of its series."""

    ROSE = "rose"
    FELL = "fell"
    UNSTEADY = "unsteady"
    NONE = "none"
    TOO_SHORT = "too short"


def shift(values: Sequence[float]) -> Shift:
    """The shift in a series of months, oldest first.

    There is one when the longest run on one side of the median is unusually long, or the median is crossed unusually
    seldom; points on the median count for neither. It rose or fell when most of its first half lies on one side of the
    median and most of its last half on the other.
    Source: Anhoej & Olesen, PLoS One 2014;9:e113825; 10 points are the fewest for which the limits are useful.
    """
    middle = median(values) if values else 0.0
    sides = [value > middle for value in values if value != middle]
    if len(sides) < FEWEST_POINTS:
        return Shift.TOO_SHORT if len(values) < FEWEST_POINTS else Shift.NONE
    longest, crossings = _longest_run(sides), sum(a != b for a, b in pairwise(sides))
    if longest <= longest_run_limit(len(sides)) and crossings >= fewest_crossings_limit(len(sides)):
        return Shift.NONE
    half = len(values) // 2
    first, last = (_balance(part, middle) for part in (values[:half], values[-half:]))
    if first < 0 < last:
        return Shift.ROSE
    return Shift.FELL if first > 0 > last else Shift.UNSTEADY


def longest_run_limit(points: int) -> int:
    """The longest run on one side of the median that is not unusual."""
    return round(log2(points) + 3)


def fewest_crossings_limit(points: int) -> int:
    """The smallest number of crossings of the median that is not unusual."""
    return int(stats.binom.ppf(0.05, points - 1, 0.5))


def _balance(values: Sequence[float], middle: float) -> int:
    """Points above the middle less points below it."""
    return sum((value > middle) - (value < middle) for value in values)


def _longest_run(sides: Sequence[bool]) -> int:
    longest = length = 1
    for before, after in pairwise(sides):
        length = length + 1 if before == after else 1
        longest = max(longest, length)
    return longest
