"""The shift of a series in one word; the rules it rests on are checked in tests/test_run_rules.py."""

from reports.runs import Shift, shift


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
