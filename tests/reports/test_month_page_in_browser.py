"""The page in a real browser: the first screen fits, a phone does not scroll sideways, tables sort without a network.

Skipped where no Chromium is installed.
"""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.reports.browser import in_a_browser, measured, opened

pytestmark = in_a_browser


def test_the_first_screen_fits_a_small_laptop(page: str, browser: Browser) -> None:
    bottom = measured(browser, page, 1366, 768, "page.querySelector('.first').getBoundingClientRect().bottom")
    assert 300 < bottom <= 768


@pytest.mark.parametrize("width", [390, 820, 1366])
def test_no_page_scrolls_sideways(page: str, browser: Browser, width: int) -> None:
    assert measured(browser, page, width, 800, "page.documentElement.scrollWidth") <= width


CASES = "page.querySelector('#episodes table.sortable')"
FIRST_CELLS = f"Array.from({CASES}.tBodies[0].rows).map((row) => Number(row.cells[3].dataset.sort))"


def test_a_table_sorts_both_ways_by_the_button_in_its_head(page: str, browser: Browser) -> None:
    click = f"{CASES}.tHead.rows[0].cells[3].querySelector('button').click()"
    sort = f"{CASES}.tHead.rows[0].cells[3].getAttribute('aria-sort')"
    once, up, said, twice, down = measured(
        browser, page, 1366, 768, f"[{click}, {FIRST_CELLS}, {sort}, {click}, {FIRST_CELLS}]"
    )
    assert once is None
    assert twice is None
    assert up == sorted(up)
    assert down == sorted(down, reverse=True)
    assert said == "ascending"
    assert len(set(up)) > 5


def test_without_scripts_the_tables_are_whole_and_nothing_dead_is_shown(page: str, browser: Browser) -> None:
    details = "page.querySelector('details.about')"
    buttons, rows, open_before, _, open_after = measured(
        browser,
        page,
        1366,
        768,
        f"[page.querySelectorAll('button').length, {CASES}.tBodies[0].rows.length, {details}.open, "
        f"{details}.querySelector('summary').click(), {details}.open]",
        scripts=False,
    )
    assert buttons == 0
    assert rows == 15
    assert (open_before, open_after) == (False, True)


@pytest.mark.parametrize("name", ["stays", "quality", "cautions"])
def test_a_link_to_what_is_folded_away_opens_it(page_file: Path, browser: Browser, name: str) -> None:
    with opened(browser, page_file) as seen:
        fold = seen.locator(f"#{name} > details")
        assert fold.get_attribute("open") is None
        seen.locator(f'a[href="#{name}"]').first.click()
        seen.locator(f"#{name} > details[open]").wait_for()
        assert seen.evaluate(f"document.getElementById('{name}').getBoundingClientRect().top < innerHeight")


def test_an_address_that_names_a_measure_opens_all_around_it(page_file: Path, browser: Browser) -> None:
    with opened(browser, page_file) as seen:
        seen.goto(f"{page_file.as_uri()}#measure-share_below")
        assert seen.locator("#measures > details").get_attribute("open") is not None
        assert seen.locator("#measure-share_below").is_visible()


def test_without_scripts_a_section_unfolds_by_its_heading(page_file: Path, browser: Browser) -> None:
    with opened(browser, page_file, java_script_enabled=False) as seen:
        seen.locator("#wards > details > summary").click()
        assert seen.locator("#wards .triple").is_visible()


@pytest.mark.parametrize("scripts", [True, False])
def test_paper_gets_the_short_way_and_no_list_of_stays_unless_it_was_opened(
    page_file: Path, browser: Browser, scripts: bool
) -> None:
    with opened(browser, page_file, java_script_enabled=scripts) as seen:
        seen.emulate_media(media="print")
        for name in ("trend", "where", "next", "trust", "definitions", "cautions"):
            assert seen.locator(f"#{name} p, #{name} li, #{name} td").first.is_visible(), name
        for name in ("stays", "episodes", "wards", "measures", "quality"):
            assert not seen.locator(f"#{name}").is_visible(), name
        seen.emulate_media(media="screen")
        seen.locator("#stays > details > summary").click()
        seen.emulate_media(media="print")
        assert seen.locator("#stays table").is_visible()
        assert not seen.locator("#episodes").is_visible()


def test_the_way_to_how_far_to_trust_it_is_short(page: str, browser: Browser) -> None:
    screens = measured(browser, page, 1366, 768, "page.documentElement.scrollHeight / 768")
    assert screens < 7
