"""The pages for the board in a real browser: every sheet fits, no phone scrolls sideways, a sheet is a printed page.

Skipped where no Chromium is installed.
"""

import re
from datetime import date
from pathlib import Path

import duckdb
import pytest
from playwright.sync_api import Browser

from pipeline.declared_changes import NONE_DECLARED, DeclaredChange, DeclaredChanges
from pipeline.policy import read_policy
from reports.present import write_presentation
from tests.reports.browser import in_a_browser, measured, opened
from tests.reports.fabricated import LAST_MONTH, fabricated_store
from tests.reports.small_hospital import MONTHS, Sizes, made_up, store_of

SHEETS = 9
BOTTOMS = "[...page.querySelectorAll('.sheet')].map((each) => each.getBoundingClientRect().height)"
# Of what stands in a sheet, how far the lowest reaches; the note under the page begins after it.
REACHED = (
    "[...page.querySelectorAll('.sheet')].map((each) => each.querySelector('.foot').getBoundingClientRect().top - "
    "Math.max(...[...each.querySelectorAll('svg, table, li')].map((one) => one.getBoundingClientRect().bottom)))"
)
WIDE = (
    "[...page.querySelectorAll('.sheet *')].filter((one) => one.scrollWidth > one.clientWidth + 1 && "
    "one.clientWidth > 0 && !one.closest('svg')).length"
)

pytestmark = in_a_browser


CHANGED = DeclaredChanges(
    tuple(
        DeclaredChange(
            date(2026, 4 + place // 4, 1 + 7 * (place % 4)), f"{place} " + "A long word of what was done " * 4
        )
        for place in range(6)
    )
)


@pytest.fixture(scope="module", params=["measured", "changed", "long names"])
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("board")
    if request.param in ("measured", "changed"):
        declared = CHANGED if request.param == "changed" else NONE_DECLARED
        with store_of(made_up(Sizes((60, 60), (90, 90), 0.6, 0.5, 0.5, 0.5, 0.5, 3, 8.0, 3))) as con:
            return write_presentation(con, folder, MONTHS[1], read_policy(), declared)[0].read_text(encoding="utf-8")
    store = fabricated_store(folder / "store.duckdb")
    with duckdb.connect(str(store)) as con:
        con.execute("delete from month_summary where ward is not null")
        for number in range(10):
            con.execute(
                "insert into month_summary by name select * replace (? as ward) from month_summary "
                'where ward is null and "group" is null',
                [f"Ward {chr(65 + number)} of the building at the far end of the long road"],
            )
        return write_presentation(con, folder, LAST_MONTH, read_policy())[0].read_text(encoding="utf-8")


def test_every_sheet_fits_a_screen_of_1280_by_720(page: str, browser: Browser) -> None:
    heights, room, wide = measured(browser, page, 1300, 720, f"[{BOTTOMS}, {REACHED}, {WIDE}]")
    assert len(heights) == page.count("<section") >= SHEETS
    assert max(heights) <= 720.5
    assert min(room) >= 0
    assert wide == 0


def test_a_phone_does_not_scroll_sideways(page: str, browser: Browser) -> None:
    assert measured(browser, page, 390, 800, "page.documentElement.scrollWidth") <= 390


def test_each_sheet_is_one_printed_page_of_16_by_9(page: str, browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(page, encoding="utf-8")
    with opened(browser, file) as shown:
        pdf = shown.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == page.count("<section")
    boxes = {tuple(round(float(end)) for end in box.split()) for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", pdf)}
    assert boxes == {(0, 0, 960, 540)}
