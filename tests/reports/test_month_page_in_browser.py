"""The page in a real browser: the first screen fits, a phone does not scroll sideways, tables sort without a network.

Skipped where no Chromium is installed.
"""

from pathlib import Path

import pytest

from tests.reports.browser import CHROMIUM, measured

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")


def test_the_first_screen_fits_a_small_laptop(page: str, tmp_path: Path) -> None:
    bottom = measured(page, tmp_path, 1366, 768, "page.querySelector('.first').getBoundingClientRect().bottom")
    assert 300 < bottom <= 768


@pytest.mark.parametrize("width", [390, 820, 1366])
def test_no_page_scrolls_sideways(page: str, tmp_path: Path, width: int) -> None:
    assert measured(page, tmp_path, width, 800, "page.documentElement.scrollWidth") <= width


CASES = "page.querySelector('#episodes table.sortable')"
FIRST_CELLS = f"Array.from({CASES}.tBodies[0].rows).map((row) => Number(row.cells[3].dataset.sort))"


def test_a_table_sorts_both_ways_by_the_button_in_its_head(page: str, tmp_path: Path) -> None:
    click = f"{CASES}.tHead.rows[0].cells[3].querySelector('button').click()"
    sort = f"{CASES}.tHead.rows[0].cells[3].getAttribute('aria-sort')"
    once, up, said, twice, down = measured(
        page, tmp_path, 1366, 768, f"[{click}, {FIRST_CELLS}, {sort}, {click}, {FIRST_CELLS}]"
    )
    assert once is None
    assert twice is None
    assert up == sorted(up)
    assert down == sorted(down, reverse=True)
    assert said == "ascending"
    assert len(set(up)) > 5


def test_without_scripts_the_tables_are_whole_and_nothing_dead_is_shown(page: str, tmp_path: Path) -> None:
    details = "page.querySelector('details.about')"
    buttons, rows, open_before, _, open_after = measured(
        page,
        tmp_path,
        1366,
        768,
        f"[page.querySelectorAll('button').length, {CASES}.tBodies[0].rows.length, {details}.open, "
        f"{details}.querySelector('summary').click(), {details}.open]",
        sandbox="allow-same-origin",
    )
    assert buttons == 0
    assert rows == 15
    assert (open_before, open_after) == (False, True)
