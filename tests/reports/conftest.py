"""One invented store and its report for the tests of this folder; made once, never changed."""

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import duckdb
import pytest
from playwright.sync_api import Browser

from pipeline.policy import read_policy
from reports.month import write_month_report
from tests.reports.browser import chromium
from tests.reports.fabricated import Scenario, fabricated_store

Written = Callable[..., str]


@pytest.fixture(scope="session")
def write_page(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """Writes the report of a scenario and returns its text; of the same one once."""

    @cache
    def write(scenario: Scenario | None = None, month: str | None = None) -> str:
        folder = tmp_path_factory.mktemp("report")
        store = fabricated_store(folder / "store.duckdb", scenario)
        with duckdb.connect(str(store), read_only=True) as con:
            return write_month_report(con, folder / "out", month, read_policy()).read_text(encoding="utf-8")

    return write


@pytest.fixture(scope="session")
def page(write_page: Written) -> str:
    """The report of the ordinary scenario, hostile ward names and all."""
    return write_page()


@pytest.fixture(scope="session")
def page_file(page: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "page.html"
    file.write_text(page, encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for a module, closed after it: other modules must not run while it holds the event loop."""
    with chromium() as found:
        yield found
