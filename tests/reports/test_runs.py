"""The run-chart rules against published limits and series worked out by hand.

Limits: table of longest run and crossings by number of points, Anhoej & Olesen, PLoS One 2014;9:e113825.
"""

from itertools import combinations

import pytest

from reports.runs import Shift, fewest_crossings_limit, longest_run_limit, shift


@pytest.mark.parametrize(
    ("points", "longest", "crossings"),
    [(10, 6, 2), (12, 7, 3), (15, 7, 4), (20, 7, 6), (24, 8, 8), (30, 8, 10), (36, 8, 13), (50, 9, 19)],
)
def test_limits_are_the_published_ones(points: int, longest: int, crossings: int) -> None:
    assert longest_run_limit(points) == longest
    assert fewest_crossings_limit(points) == crossings


def test_three_crossings_of_twelve_points_are_not_unusual_and_two_are() -> None:
    three = [1, 1, 1, 9, 9, 9, 1, 1, 1, 9, 9, 9]
    assert shift(three) is Shift.NONE
    two = [1, 1, 1, 9, 9, 9, 9, 9, 9, 1, 1, 1]
    assert shift(two) is Shift.UNSTEADY


def test_a_step_up_or_down_is_a_shift() -> None:
    assert shift([1, 2, 1, 2, 1, 2, 7, 8, 7, 8, 7, 8]) is Shift.ROSE
    assert shift([7, 8, 7, 8, 7, 8, 1, 2, 1, 2, 1, 2]) is Shift.FELL


def test_points_on_the_median_count_for_neither_side() -> None:
    assert shift([5] * 12) is Shift.NONE
    assert shift([5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 9, 9]) is Shift.NONE


def test_nine_months_are_too_few_and_ten_are_not() -> None:
    assert shift([1, 1, 1, 1, 5, 9, 9, 9, 9]) is Shift.TOO_SHORT
    assert shift([1, 1, 1, 1, 1, 9, 9, 9, 9, 9]) is Shift.ROSE
    assert shift([]) is Shift.TOO_SHORT


def test_twelve_steady_months_are_called_a_shift_twelve_times_in_924() -> None:
    # All 924 ways to put 6 of 12 months above the median: 2 cross it once, 10 cross it twice (5 places to begin and
    # end the run inside, on either side), and no other has fewer than 3 crossings or a run of more than 7.
    ways = [[float(month in above) for month in range(12)] for above in combinations(range(12), 6)]
    called = sum(shift([value + month / 1000 for month, value in enumerate(way)]) is not Shift.NONE for way in ways)
    assert (called, len(ways)) == (12, 924)
