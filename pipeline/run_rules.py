"""Whether a series of months holds a signal: rules of run charts and control charts, each with a name.

Longest run and crossings about the median (Anhoej & Olesen, PLoS One 2014;9:e113825), and a point outside the limits
of a control chart. There is no rule for a trend of rising or falling points: the same study found it "virtually
useless".
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import isnan, log2
from statistics import median

from scipy import stats

# The fewest points for which the limits of the rules are useful (the same study).
FEWEST_POINTS = 10
_ROUNDING = 1e-9


class Rule(StrEnum):
    """The rules by their names in words."""

    LONGEST_RUN = "longest run"
    FEW_CROSSINGS = "few crossings"
    OUTSIDE_LIMITS = "outside the limits"


class Direction(StrEnum):
    """Which way a series that holds a signal went."""

    ROSE = "rose"
    FELL = "fell"
    UNSTEADY = "unsteady"


@dataclass(frozen=True)
class Signal:
    """One rule that a series broke: `found` against the `limit` that chance alone seldom passes.

    For the longest run and crossings: numbers of points. For a point outside the limits: the point and the limit it
    lies beyond, and `position`, its place in the series.
    """

    rule: Rule
    found: float
    limit: float
    position: int | None = None


@dataclass(frozen=True)
class Verdict:
    """What the rules say of one series.

    useful: points not on the median. too_few: whether they are too few for the run rules; then `signals` holds none
    of theirs. direction: null without a signal of the run rules.
    """

    signals: tuple[Signal, ...]
    points: int
    useful: int
    too_few: bool
    direction: Direction | None


def run_signals(values: Sequence[float]) -> list[Signal]:
    """The run rules that a series, oldest first, breaks. Points on the median count for neither side.

    None of a series with fewer than ten points off the median.
    """
    sides = _sides(values)
    if len(sides) < FEWEST_POINTS:
        return []
    longest, most = longest_run(sides), longest_run_limit(len(sides))
    crossed, fewest = crossings(sides), fewest_crossings_limit(len(sides))
    found = [Signal(Rule.LONGEST_RUN, longest, most)] if longest > most else []
    return [*found, Signal(Rule.FEW_CROSSINGS, crossed, fewest)] if crossed < fewest else found


def limit_signals(values: Sequence[float], low: Sequence[float], high: Sequence[float]) -> list[Signal]:
    """The points outside the limits of a control chart, oldest first; nan is no point, or a point without limits."""
    found = []
    for position, (value, bottom, top) in enumerate(zip(values, low, high, strict=True)):
        if isnan(value) or isnan(bottom):
            continue
        # Months exactly alike have limits at their own value, give or take the last digit.
        room = _ROUNDING * max(abs(bottom), abs(top))
        if not bottom - room <= value <= top + room:
            found.append(Signal(Rule.OUTSIDE_LIMITS, value, top if value > top else bottom, position))
    return found


def verdict(values: Sequence[float], outside: Sequence[Signal] = ()) -> Verdict:
    """What the rules say of a series of known values, oldest first, and of the points found outside its limits."""
    found = run_signals(values)
    useful = len(_sides(values))
    return Verdict((*found, *outside), len(values), useful, useful < FEWEST_POINTS, _direction(values, found))


def longest_run_limit(points: int) -> int:
    """The longest run on one side of the median that is not unusual: log2(points) + 3, rounded."""
    return round(log2(points) + 3)


def fewest_crossings_limit(points: int) -> int:
    """The smallest number of crossings of the median that is not unusual: the fifth percentile of a binomial."""
    return int(stats.binom.ppf(0.05, points - 1, 0.5))


def longest_run(sides: Sequence[bool]) -> int:
    """The longest run of the same side.

    >>> longest_run([True, True, False]), longest_run([])
    (2, 0)
    """
    longest = length = min(len(sides), 1)
    for before, after in pairwise(sides):
        length = length + 1 if before == after else 1
        longest = max(longest, length)
    return longest


def crossings(sides: Sequence[bool]) -> int:
    """How often a series goes from one side to the other."""
    return sum(before != after for before, after in pairwise(sides))


def _sides(values: Sequence[float]) -> list[bool]:
    middle = median(values) if values else 0.0
    return [value > middle for value in values if value != middle]


def _direction(values: Sequence[float], found: Sequence[Signal]) -> Direction | None:
    """It rose or fell when most of the first half lies on one side of the median and most of the last on the other."""
    if not found:
        return None
    middle, half = median(values), len(values) // 2
    first, last = (
        sum((value > middle) - (value < middle) for value in part) for part in (values[:half], values[-half:])
    )
    if first < 0 < last:
        return Direction.ROSE
    return Direction.FELL if first > 0 > last else Direction.UNSTEADY


def _balance(values: Sequence[float], middle: float) -> int:
    """Points above the middle less points below it."""
    return sum((value > middle) - (value < middle) for value in values)
