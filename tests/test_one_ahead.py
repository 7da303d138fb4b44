"""Results come in order, one is made ahead and not more, and nothing goes on after the end."""

import threading
from contextlib import closing

import pytest

from pipeline.one_ahead import one_ahead


def test_every_result_comes_once_and_in_order() -> None:
    assert list(one_ahead(number * number for number in range(7))) == [0, 1, 4, 9, 16, 25, 36]
    assert list(one_ahead(iter([]))) == []


def test_the_next_is_made_while_one_is_in_use_and_no_further_one() -> None:
    begun = [threading.Event() for _ in range(3)]

    def make(number: int) -> int:
        begun[number].set()
        return number

    with closing(one_ahead(map(make, range(3)))) as made:
        assert next(made) == 0
        assert begun[1].wait(timeout=10)
        assert not begun[2].wait(timeout=0.05)
        assert next(made) == 1
        assert begun[2].wait(timeout=10)


def test_what_goes_wrong_is_raised_in_its_turn() -> None:
    made = one_ahead(12 // divisor for divisor in [4, 0, 3])
    assert next(made) == 3
    with pytest.raises(ZeroDivisionError):
        next(made)


def test_closed_before_its_end_the_thread_has_finished() -> None:
    slow, finished = threading.Event(), []

    def make(number: int) -> int:
        if number == 1:
            slow.wait(timeout=10)
        finished.append(number)
        return number

    with closing(one_ahead(map(make, range(5)))) as made:
        next(made)
        slow.set()
    assert finished == [0, 1]
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("ThreadPool")]
