"""The longest files first, so that no process works on alone at the end while the others are done."""

import pytest

LONGEST = (
    "test_on_spark.py",
    "test_wheel.py",
    "test_docs.py",
    "test_pages_in_browser.py",
    "test_present_attack.py",
    "test_timeline_against_oracle.py",
    "test_month_page.py",
    "test_load_command.py",
    "test_measure_incrementally.py",
    "test_measure_command.py",
    "test_measure_store.py",
    "test_absent.py",
    "test_against_walk.py",
    "test_changes_page.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST))
