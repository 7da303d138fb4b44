"""The run rules against published limits, another person's library, and series worked out by hand.

Limits: table of longest run and crossings by number of points, Anhoej & Olesen, PLoS One 2014;9:e113825 (the numbers
derived from the formula printed there).
"""

from itertools import combinations, pairwise

import numpy as np
import pandas as pd
import pytest
import shewhart
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.run_rules import (
    Direction,
    Rule,
    Signal,
    crossings,
    fewest_crossings_limit,
    limit_signals,
    longest_run,
    longest_run_limit,
    run_signals,
    verdict,
)
from tests.handbook import WEEKLY_ATTENDED, WEEKLY_SEEN


@pytest.mark.parametrize(
    ("points", "longest", "fewest"),
    [(10, 6, 2), (12, 7, 3), (15, 7, 4), (16, 7, 4), (20, 7, 6), (24, 8, 8), (30, 8, 10), (36, 8, 13), (50, 9, 19)],
)
def test_limits_are_the_published_ones(points: int, longest: int, fewest: int) -> None:
    assert longest_run_limit(points) == longest
    assert fewest_crossings_limit(points) == fewest


def test_the_longest_run_has_the_limits_of_a_printed_table() -> None:
    """Table of a teaching page on improvement: 6 for 10 and 11 points, 7 for 12 to 22, 8 to 45, 9 to 90, then 10."""
    limits = [longest_run_limit(points) for points in range(10, 110)]
    assert limits == [6] * 2 + [7] * 11 + [8] * 23 + [9] * 45 + [10] * 19


def test_twenty_weeks_of_emergency_departments_show_no_signal() -> None:
    """Mohammed et al. 2013: 20 useful points, 7 crossings (6 are needed), longest run 7 (7 are allowed); derived."""
    shares = list(WEEKLY_SEEN / WEEKLY_ATTENDED)
    middle = float(np.median(shares))
    sides = [share > middle for share in shares]
    assert (len(sides), crossings(sides), longest_run(sides)) == (20, 7, 7)
    judged = verdict(shares)
    assert (judged.signals, judged.useful, judged.too_few, judged.direction) == ((), 20, False, None)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(st.floats(0, 100), min_size=12, max_size=60))
def test_runs_agree_with_another_library(values: list[float]) -> None:
    """shewhart 0.1.1 counts the runs about the median, one more than the crossings."""
    middle = float(np.median(values))
    sides = [value > middle for value in values if value != middle]
    if len(set(sides)) < 2:
        return
    told = shewhart.run_chart(pd.DataFrame({"value": values}), value="value").stats
    assert told["runs_about_median"] == crossings(sides) + 1


def test_three_crossings_of_twelve_points_are_not_unusual_and_two_are() -> None:
    assert run_signals([1, 1, 1, 9, 9, 9, 1, 1, 1, 9, 9, 9]) == []
    two = [1.0, 1, 1, 9, 9, 9, 9, 9, 9, 1, 1, 1]
    assert run_signals(two) == [Signal(Rule.FEW_CROSSINGS, 2, 3)]
    assert verdict(two).direction is Direction.UNSTEADY


def test_eight_of_one_side_are_an_unusually_long_run_of_sixteen_points() -> None:
    long = [1.0, 9, 1, 9, 1, 9, 1, 1] + [9.0] * 4 + [1.0] + [9.0, 1, 9]
    assert Rule.LONGEST_RUN not in {signal.rule for signal in run_signals(long)}
    longer = [9.0] * 8 + [1.0, 1, 9, 1, 1, 1, 1, 1, 1, 1]
    assert run_signals(longer)[0] == Signal(Rule.LONGEST_RUN, 8, 7)


def test_a_step_up_or_down_is_a_shift() -> None:
    assert verdict([1, 2, 1, 2, 1, 2, 7, 8, 7, 8, 7, 8]).direction is Direction.ROSE
    assert verdict([7, 8, 7, 8, 7, 8, 1, 2, 1, 2, 1, 2]).direction is Direction.FELL


def test_points_on_the_median_count_for_neither_side() -> None:
    assert run_signals([5] * 12) == []
    on_it = verdict([5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 9, 9])
    assert (on_it.signals, on_it.points, on_it.useful, on_it.too_few) == ((), 12, 2, True)


def test_nine_months_are_too_few_and_ten_are_not() -> None:
    assert verdict([1, 1, 1, 1, 5, 9, 9, 9, 9]).too_few
    assert verdict([1, 1, 1, 1, 1, 9, 9, 9, 9, 9]).direction is Direction.ROSE
    assert verdict([]).too_few


def test_a_steady_rise_alone_breaks_no_rule_of_its_own() -> None:
    """There is no rule for a trend: a rise is told by the run and the crossings, as any other shift."""
    assert {signal.rule for signal in run_signals([float(n) for n in range(12)])} == {Rule.FEW_CROSSINGS}
    # Five rising in a row, which older rules call a trend, among months that go up and down.
    rising = [6.0, 4, 1, 2, 3, 5, 7, 2, 8, 3, 7, 4]
    assert max(sum(1 for _ in run) for run in _rises(rising)) == 5
    assert run_signals(rising) == []


def _rises(values: list[float]) -> list[list[float]]:
    runs = [[values[0]]]
    for before, after in pairwise(values):
        if after > before:
            runs[-1].append(after)
        else:
            runs.append([after])
    return runs


def test_points_outside_the_limits_are_named_with_the_limit_they_pass() -> None:
    nothing = float("nan")
    found = limit_signals([1, 5, 12, nothing, 12, 10], [2, 2, 2, 2, nothing, 2], [10, 10, 10, 10, nothing, 10])
    assert found == [Signal(Rule.OUTSIDE_LIMITS, 1, 2, 0), Signal(Rule.OUTSIDE_LIMITS, 12, 10, 2)]


def test_twelve_steady_months_are_called_a_shift_twelve_times_in_924() -> None:
    # All 924 ways to put 6 of 12 months above the median: 2 cross it once, 10 cross it twice (5 places to begin and
    # end the run inside, on either side), and no other has fewer than 3 crossings or a run of more than 7.
    ways = [[float(month in above) for month in range(12)] for above in combinations(range(12), 6)]
    called = sum(bool(run_signals([value + month / 1000 for month, value in enumerate(way)])) for way in ways)
    assert (called, len(ways)) == (12, 924)


def test_about_one_steady_series_in_twenty_shows_a_signal() -> None:
    """Anhoej & Olesen 2014: the two rules hold false signals near 5 % (simulated, 24 points)."""
    rng = np.random.default_rng(3)
    called = sum(bool(run_signals(list(series))) for series in rng.normal(size=(2000, 24)))
    assert 0.02 < called / 2000 < 0.10
