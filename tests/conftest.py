"""Order of the files, and what is worked out once in a process for all of them.

The longest files first, so that no process works on alone at the end while the others are done.
"""

import gc
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import Any

import pytest

from pipeline.intake.contracts import expectations, judge

LONGEST = (
    "test_on_spark.py",
    "test_pages_in_browser.py",
    "test_present_attack.py",
    "test_measure_incrementally.py",
    "test_load_command.py",
    "test_measure_store.py",
    "test_docs.py",
    "test_month_page.py",
    "test_judge.py",
    "test_wheel.py",
    "test_case_page.py",
    "test_reading_runs.py",
    "test_timeline_against_oracle.py",
    "test_measure_command.py",
    "test_load_as_a_whole.py",
    "test_later_extracts.py",
    "test_forms.py",
    "test_absent.py",
    "test_corrections.py",
    "test_fuzz_command.py",
    "test_ways_in.py",
    "test_changes_page.py",
    "test_present_pages.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST))


def pytest_collection_finish() -> None:
    """Modules and tests stay to the end: the collector need not look through them again and again."""
    gc.collect()
    gc.freeze()


# Tests of the judging itself: they ask great_expectations each time.
ASKED_ANEW = ("test_judge.py", "test_quick_ways.py")
Judged = Callable[[Any, Sequence[float], float | None, float | None], list[bool]]


def _remembering(judged: Judged) -> Judged:
    known: dict[tuple[tuple[float, ...], float | None, float | None], list[bool]] = {}

    def remembered(batches: Any, values: Sequence[float], lowest: float | None, highest: float | None) -> list[bool]:
        asked = (tuple(values), lowest, highest)
        if asked not in known:
            known[asked] = judged(batches, values, lowest, highest)
        return known[asked]

    return remembered


_OUTSIDE_LIMITS = _remembering(expectations.outside_limits)
_MAKE_BATCHES = cache(expectations.make_batches)


@pytest.fixture(scope="module", autouse=True)
def _loads_are_judged_once(request: pytest.FixtureRequest) -> Iterator[None]:
    """Half of a small load is great_expectations judging a few numbers: of the same ones it says the same.

    It is asked anew in the tests of the judging, and by every command that runs as a process of its own.
    """
    with pytest.MonkeyPatch.context() as patch:
        if request.path.name not in ASKED_ANEW:
            patch.setattr(judge, "outside_limits", _OUTSIDE_LIMITS)
            patch.setattr(expectations, "make_batches", _MAKE_BATCHES)
        yield
