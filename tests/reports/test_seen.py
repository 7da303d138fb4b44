"""The checks of pages find what they look for: on a page with one fault of each kind, every one of them speaks up."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from reports import palette
from tests.reports import seen
from tests.reports.browser import in_a_browser, opened

FAULTY = """<!doctype html><html lang="en"><title>x</title>
<style>
a { outline: none !important; } .gliding { transition: color 1s; } .cutting { width: 90px; overflow: hidden; }
.cutting span { white-space: nowrap; } .box { width: 90px; overflow-x: auto; } .pale { color: #aaa; }
</style>
<main><h1>Faults</h1><p class="pale">too pale</p><p class="gliding">gliding</p>
<div class="cutting"><span>a sentence that is longer than its box</span></div>
<div class="box"><table><tr><td>anotherwordthatiswiderthanitsbox</td></tr></table></div>
<p><a href="#x">not ringed</a></p>
<svg width="200" height="40"><rect width="200" height="40" fill="#9d88aa"></rect>
<text x="5" y="20" fill="#ffffff">on grey</text><text x="190" y="20" fill="#2b2233">beyond</text></svg></main></html>"""


@in_a_browser
def test_every_check_finds_its_fault(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "faulty.html"
    file.write_text(FAULTY, encoding="utf-8")
    with opened(browser, file, 800, 400) as page:
        (link,) = (stop for stop in seen.stops(page) if stop["tag"] == "A")
        assert not link["ringed"]
        assert seen.chart_texts_hard_to_read(page)["faults"] == ["on grey: 3.21"]
        cut = seen.cut_off(page)
        assert len(cut) == 2
        assert "cut by its chart: beyond" in cut
        (box,) = seen.boxes_that_scroll(page)
        assert not box["stop"]
        assert not box["name"]
        assert len(seen.moving(page)) == 1
        assert any(fault.startswith("color-contrast") for fault in seen.axe(page, contrast_only=True))


def luminance(colour: str) -> float:
    """Source: WCAG 2.2, relative luminance."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("place", [0, 1], ids=["light", "dark"])
def test_text_and_marks_stand_out_and_shades_differ_in_grey(place: int) -> None:
    """Success criteria 1.4.3 (text, 4.5) and 1.4.11 (marks, 3)."""
    colour = {name: colours[place] for name, colours in palette.COLOURS.items()}
    for ink in ("ink", "accent", "grey"):
        for ground in ("page", "tint", "within", "unaudited"):
            assert contrast(colour[ink], colour[ground]) >= 4.5, (ink, ground)
    for ground in ("above", "excluded"):
        assert contrast(colour["ink"], colour[ground]) >= 4.5
    assert contrast(colour["page"], colour["below"]) >= 4.5
    shades = [luminance(colour[name]) for name in ("page", "within", "above", "below")]
    assert shades in (sorted(shades), sorted(shades, reverse=True))
    assert contrast(colour["within"], colour["above"]) >= 1.5
    assert contrast(colour["above"], colour["below"]) >= 3


def test_every_colour_has_one_counterpart() -> None:
    assert len(palette.dark_of()) == len(palette.COLOURS) + 9  # between the page and "above" lie nine grades
