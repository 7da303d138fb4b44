"""Every page the tool makes, in a real browser, made of hostile data: read, reached, told and printed as it should be.

Sources: WCAG 2.2 (W3C, 2023), success criteria as named at the tests; 390 to 1920 pixels, 3 MB and a second are what
the pages promise. Skipped where no Chromium is installed.
"""

import re
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from reports import palette
from tests.reports import hostile, seen
from tests.reports.browser import a_page, in_a_browser, opened
from tests.reports.pages import MAKERS, made

pytestmark = in_a_browser

ORDINARY: ViewportSize = {"width": 1366, "height": 768}
WIDTHS = (390, 768, 1366, 1920)
# A window of 1280 pixels enlarged to 200 % and 400 % has the room of these (1.4.4, 1.4.10).
ENLARGED = (640, 320)
INK = "rgb(43, 34, 51)"
MOST_BYTES, MOST_MS = 3_000_000, 1_000
# Millimetres of paper as points of 1/72 inch.
A4 = {(595, 842), (842, 595)}
SLIDE = {(960, 540)}


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("hostile")
    return made(hostile.hostile_store(folder), folder)


@pytest.fixture(scope="module", params=MAKERS)
def name(request: pytest.FixtureRequest) -> str:
    """The name of one page."""
    return str(request.param)


@pytest.fixture(scope="module")
def file(files: dict[str, Path], name: str) -> Path:
    return files[name]


@pytest.fixture(scope="module")
def window(browser: Browser) -> Iterator[Page]:
    with a_page(browser) as page:
        yield page


@pytest.fixture(scope="module")
def window_without_scripts(browser: Browser) -> Iterator[Page]:
    with a_page(browser, java_script_enabled=False) as page:
        yield page


@pytest.fixture(scope="module")
def window_without_rules(browser: Browser) -> Iterator[Page]:
    """A window in which a page's own rules against scripts are lifted: what is not escaped runs."""
    with a_page(browser, bypass_csp=True) as page:
        yield page


@pytest.fixture(scope="module")
def kept_open(window: Page, file: Path) -> Page:
    window.goto(file.as_uri())
    window.evaluate(
        "window.asOpened = { folds: [...document.querySelectorAll('details')].map((each) => each.open),"
        " said: document.querySelector('main').textContent }"
    )
    return window


@pytest.fixture
def shown(kept_open: Page) -> Iterator[Page]:
    """The page in an ordinary window, in light; what is folded away may have been opened by the test before."""
    yield kept_open
    if kept_open.viewport_size != ORDINARY:
        kept_open.set_viewport_size(ORDINARY)


@pytest.fixture
def shown_otherwise(shown: Page) -> Iterator[Page]:
    """The same for a test that asks for other light, paper or movement: put back after it."""
    yield shown
    shown.emulate_media(media="screen", color_scheme="light", forced_colors="none", reduced_motion="no-preference")


# --- read ----------------------------------------------------------------------------------------------------------


def test_an_automated_checker_finds_nothing(shown: Page) -> None:
    assert seen.axe(shown) == []


def test_nor_does_it_find_too_little_contrast_in_the_dark(shown_otherwise: Page) -> None:
    shown_otherwise.emulate_media(color_scheme="dark")
    assert shown_otherwise.evaluate("getComputedStyle(document.body).color") != INK
    assert seen.axe(shown_otherwise, contrast_only=True) == []


@pytest.mark.parametrize(("scheme", "forced"), [("light", "none"), ("dark", "none"), ("dark", "active")])
def test_every_text_of_a_chart_can_be_read(shown_otherwise: Page, scheme: str, forced: str) -> None:
    """1.4.3, also where readers force colours of their own upon pages."""
    shown_otherwise.emulate_media(color_scheme=scheme, forced_colors=forced)  # type: ignore[arg-type]
    found = seen.chart_texts_hard_to_read(shown_otherwise)
    assert found["texts"] > 10 or shown_otherwise.locator("svg").count() == 0
    assert found["faults"] == []


def test_every_colour_of_a_chart_has_a_counterpart_in_the_dark(file: Path) -> None:
    charts = re.findall(r"<svg.*?</svg>", file.read_text(encoding="utf-8"), re.DOTALL)
    painted = {colour for chart in charts for colour in re.findall(r' (?:fill|stroke)="([^"]*)"', chart)}
    assert len(painted) > 3 or not charts
    assert painted - {"none"} <= set(palette.dark_of())


def test_a_chart_is_one_picture_with_a_text_alternative(shown: Page) -> None:
    """1.1.1: the picture is told in words, and its parts are not read one by one."""
    roles = "[...document.querySelectorAll('svg')].map((each) => [each.getAttribute('role'), each.ariaLabel])"
    assert all(role == "img" and len(label) > 15 for role, label in shown.evaluate(roles))
    assert shown.evaluate("document.querySelectorAll('svg [role], svg [aria-label]').length") == 0


def test_headings_go_down_by_one_from_a_single_first(shown: Page) -> None:
    levels = shown.evaluate(
        "[...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map((each) => Number(each.tagName[1]))"
    )
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_nothing_moves_for_those_who_ask_for_less_motion(shown_otherwise: Page) -> None:
    shown_otherwise.emulate_media(reduced_motion="reduce")
    assert seen.moving(shown_otherwise) == []


# --- reached -------------------------------------------------------------------------------------------------------


def test_the_keyboard_reaches_everything_in_order_and_shows_where_it_is(window_without_rules: Page, file: Path) -> None:
    """2.1.1, 2.1.2, 2.4.1, 2.4.3, 2.4.7, 2.4.11: the first stop leads past what stands before the contents.

    In a small window enlarged to 200 %, where least of the page is in view.
    """
    page = window_without_rules
    page.set_viewport_size({"width": 640, "height": 360})
    page.goto(file.as_uri())
    found = seen.stops(page)
    folded = "document.querySelectorAll('details:not([open]) > :not(summary) :is(a[href], button, summary)').length"
    to_reach = page.evaluate(f"document.querySelectorAll('a[href], button, summary').length - {folded}")
    assert found[0]["name"].startswith("Skip to")
    assert [stop for stop in found if not (stop["shown"] and stop["ringed"] and stop["name"] and stop["after"])] == []
    assert sum(stop["tag"] in ("A", "BUTTON", "SUMMARY") for stop in found) == to_reach


def test_the_skip_link_is_followed(shown: Page) -> None:
    shown.locator(".skip").focus()
    target = shown.evaluate("document.activeElement.hash.slice(1)")
    shown.keyboard.press("Enter")
    shown.keyboard.press("Tab")
    place = "document.getElementById(id).compareDocumentPosition(document.activeElement)"
    assert shown.evaluate(f"(id) => {place} & Node.DOCUMENT_POSITION_FOLLOWING", target)


def test_what_is_folded_away_opens_by_key(shown: Page) -> None:
    summary = shown.locator("summary").first.element_handle()
    summary.evaluate("(each) => { each.parentElement.open = false; }")
    summary.focus()
    for key, is_open in (("Enter", True), ("Space", False)):
        shown.keyboard.press(key)
        assert summary.evaluate("(each) => each.parentElement.open") is is_open


def test_a_table_is_sorted_by_key(shown: Page) -> None:
    button = shown.locator("table.sortable th button").nth(1)
    if shown.locator("table.sortable").count() == 0:
        return
    button.focus()
    for key, order in (("Enter", "ascending"), ("Space", "descending")):
        shown.keyboard.press(key)
        assert button.evaluate("(each) => each.closest('th').ariaSort") == order
    assert button.evaluate("(each) => each === document.activeElement")


@pytest.mark.parametrize("width", [390, 1366])
def test_what_scrolls_sideways_has_a_name_and_a_stop(shown: Page, width: int) -> None:
    shown.set_viewport_size({"width": width, "height": 800})
    boxes = seen.boxes_that_scroll(shown)
    assert [box["html"] for box in boxes if not (box["stop"] and box["name"])] == []
    if width == 390:
        assert boxes
        assert seen.scrolls_by_key(shown, boxes[0]["place"])


# --- laid out ------------------------------------------------------------------------------------------------------


def test_no_width_and_no_enlargement_cuts_anything_off(shown: Page) -> None:
    for width in (*WIDTHS, *ENLARGED):
        shown.set_viewport_size({"width": width, "height": 800})
        assert seen.cut_off(shown) == [], width
        assert shown.evaluate("document.documentElement.scrollWidth") <= width


def test_wider_spacing_of_text_cuts_nothing_off(shown: Page) -> None:
    """1.4.12: line height 1.5, paragraphs 2, letters 0.12 and words 0.16 of the size of the letters."""
    spaced = "line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important"
    # A chart is a picture: its letters stand where they were painted.
    charts = "html body svg { letter-spacing: normal !important; word-spacing: normal !important }"
    rules = f"body :not(svg *) {{ {spaced} }} p {{ margin-bottom: 2em !important }} {charts}"
    shown.set_viewport_size({"width": 390, "height": 800})
    style = shown.add_style_tag(content=rules)
    spacing = shown.evaluate("getComputedStyle(document.querySelector('main p')).letterSpacing")
    found, wide = seen.cut_off(shown), shown.evaluate("document.documentElement.scrollWidth")
    style.evaluate("(each) => each.remove()")
    assert spacing != "normal"
    assert found == []
    assert wide <= 390


def test_without_scripts_the_page_says_the_same_and_nothing_dead_is_shown(
    window_without_scripts: Page, file: Path, kept_open: Page
) -> None:
    page = window_without_scripts
    page.goto(file.as_uri())
    assert page.evaluate("document.querySelector('main').textContent") == kept_open.evaluate("window.asOpened.said")
    assert page.locator("button").count() == 0
    summary = page.locator("details:not([open]) > summary").first.element_handle()
    summary.click()
    assert summary.evaluate("(each) => each.parentElement.open")


def test_the_page_is_light_enough_and_opens_within_a_second(browser: Browser, file: Path, kept_open: Page) -> None:
    assert file.stat().st_size < MOST_BYTES
    loaded = "performance.getEntriesByType('navigation')[0].loadEventEnd"
    took = [kept_open.evaluate(loaded)]
    # The quickest of five, if it must be: the machine may be busy with other tests.
    while len(took) < 5 and not any(0 < each < MOST_MS for each in took):
        with opened(browser, file) as page:
            took.append(page.evaluate(loaded))
    assert 0 < min(took) < MOST_MS


# --- printed -------------------------------------------------------------------------------------------------------


def test_paper_is_light_whole_and_has_no_empty_page(shown_otherwise: Page, tmp_path: Path) -> None:
    folds = (
        "document.querySelectorAll('details').forEach((each, place) => { each.open = window.asOpened.folds[place] })"
    )
    shown_otherwise.evaluate(folds)
    shown_otherwise.emulate_media(media="print", color_scheme="dark")
    assert shown_otherwise.evaluate("getComputedStyle(document.body).color") == INK
    shown_otherwise.pdf(path=tmp_path / "page.pdf", prefer_css_page_size=True)
    with pypdfium2.PdfDocument(tmp_path / "page.pdf") as pdf:
        sizes = {(round(width), round(height)) for width, height in (each.get_size() for each in pdf)}
        assert sizes <= (SLIDE if SLIDE & sizes else A4)
        for number, sheet in enumerate(pdf, start=1):
            text, (width, height) = sheet.get_textpage(), sheet.get_size()
            assert text.count_chars() > 20, f"page {number} is empty"
            for place in range(text.count_rects()):
                left, bottom, right, top = text.get_rect(place)
                assert left > 5, number
                assert right < width - 5, number
                assert 0 < bottom < top < height, number


# --- hostile data --------------------------------------------------------------------------------------------------

# No page has any of these of its own.
STRANGE = "img, iframe, object, embed, base, link, form, script ~ script"


def ran(page: Page, file: Path) -> list[str]:
    """Everything that the data of a page set going: nothing, one hopes."""
    found: list[str] = []
    listeners: dict[str, Callable[[Any], object]] = {
        "dialog": lambda dialog: (found.append(dialog.message), dialog.dismiss()),
        "pageerror": lambda error: found.append(str(error)),
        "request": lambda request: found.append(request.url[:100]),
    }
    for event, listener in listeners.items():
        page.on(event, listener)  # type: ignore[call-overload]
    page.goto(file.as_uri())
    found.remove(file.as_uri()[:100])
    for kind in ("click", "mouseover", "focus"):
        page.evaluate(
            "(kind) => document.querySelectorAll('body *').forEach((each) => each.dispatchEvent(new Event(kind)))",
            kind,
        )
    if page.evaluate("window.ran"):
        found.append("a script ran")
    found += page.evaluate(f"[...document.querySelectorAll('{STRANGE}')].map((each) => each.localName)")
    found += page.evaluate(
        """[...document.querySelectorAll("*")].filter((each) => [...each.attributes].some(({ name, value }) =>
          name.startsWith("on") || (["href", "src", "xlink:href"].includes(name) && !value.startsWith("#"))))
          .map((each) => each.outerHTML.slice(0, 100))"""
    )
    for event, listener in listeners.items():
        page.remove_listener(event, listener)
    return found


def test_no_value_of_the_data_becomes_more_than_text(window_without_rules: Page, file: Path) -> None:
    assert ran(window_without_rules, file) == []


def test_what_is_not_escaped_would_be_found(window_without_rules: Page, tmp_path: Path) -> None:
    for number, text in enumerate((hostile.SCRIPT, hostile.HANDLER, hostile.SITE, hostile.SPECIALTY, hostile.NOTE)):
        file = tmp_path / f"{number}.html"
        file.write_text(f"<!doctype html><title>x</title><p>{text}</p>", encoding="utf-8")
        assert ran(window_without_rules, file), text


# Which of the hostile texts a page has to tell, as far as it prints them.
TOLD = {
    "month": (*hostile.WARDS, hostile.FILE, hostile.NOTE, '"><script>', "X" * 110),
    "case": (),
    "board": hostile.WARDS,
}


def test_hostile_values_stand_on_the_page_as_they_were_written(shown: Page, name: str) -> None:
    text = " ".join(shown.evaluate("document.body.textContent").split())
    for value in TOLD.get(name, ()):
        plain = "".join("\ufffd" if 0x202A <= ord(each) <= 0x2069 and not each.isalpha() else each for each in value)
        assert " ".join(plain.split())[:40] in text
    assert any(value[:30] in text for value in (*hostile.WARDS[:3], hostile.LONG_WORD)), "no hostile value was met"
    # Nothing on the page turns the words after it round, and nothing was worked out as a template.
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", text)
    assert "$49" not in text
