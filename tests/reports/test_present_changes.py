"""What was changed, on the pages for the board: before and after in words and figures, marked on the charts."""

import io
import re
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from pptx import Presentation
from pptx.oxml.ns import qn

from pipeline.declared_changes import DeclaredChange, DeclaredChanges
from pipeline.errors import ChangesError
from pipeline.policy import read_policy
from reports.present import write_presentation
from tests.reports.attack import of_html
from tests.reports.reading import read
from tests.reports.small_hospital import MONTHS, Sizes, made_up, store_of

LARGE = Sizes((60, 60), (90, 90), 0.6, 0.5, 0.5, 0.5, 0.5, 3, 8.0, 3)
PRESET = DeclaredChange(date(2026, 5, 1), "<b>Preset</b> for known retainers \N{RIGHT-TO-LEFT OVERRIDE}")
LABELS = DeclaredChange(date(2026, 5, 12), "Flow labels", "Alder")
DECLARED = DeclaredChanges((PRESET, LABELS), fingerprint="0123456789ab")
Files = tuple[str, bytes]


def pack(folder: Path, declared: DeclaredChanges, month: str = MONTHS[1]) -> Files:
    with store_of(made_up(LARGE)) as con:
        html, pptx = write_presentation(con, folder, month, read_policy(), declared)
    return html.read_text(encoding="utf-8"), pptx.read_bytes()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return pack(tmp_path_factory.mktemp("changes"), DECLARED)


def section(text: str, key: str) -> str:
    return next(part for part in re.findall(r"<section.*?</section>", text, re.DOTALL) if f' id="{key}"' in part)


def test_each_change_stands_with_the_shares_before_and_after_it(files: Files) -> None:
    table = of_html(section(files[0], "changes")).table_with("Change")
    assert table[0] == ["Change", "Patients", "Below", "Within", "Above, on oxygen"]
    assert [row[1] for row in table[1:]] == ["CO2 retainers", "Everybody else", "All patients"]
    assert table[1][0] == "1. 1 May 2026, whole hospital <b>Preset</b> for known retainers \ufffd"
    assert table[2][0] == "1."
    assert re.match(r"[\d.]+ % \N{RIGHTWARDS ARROW} [\d.]+ % .*points", table[1][2])
    # May, which the change in Alder divides, is the only month since the one before.
    assert table[3] == [
        "2. 12 May 2026, Alder Flow labels",
        "All patients",
        *["\N{EN DASH} no whole month with a figure before it"] * 3,
    ]


def test_the_message_sets_below_beside_above_and_calls_no_change_clear_that_is_not(files: Files) -> None:
    title = read(section(files[0], "changes")).text.split("Whole months")[0]
    assert title.startswith("After change 1 (1 May 2026), CO2 retainers were above the band on oxygen for")
    assert "; below it for" in title
    cells = of_html(section(files[0], "changes")).table_with("Change")[1]
    assert title.count("(no clear change)") == sum("no clear change" in cells[place] for place in (2, 4))


def test_nothing_is_said_to_have_been_brought_about_by_the_change(files: Files) -> None:
    assert "A clear difference says that something changed, not what changed it" in section(files[0], "changes")


def test_charts_of_months_are_marked_and_say_so_in_words(files: Files) -> None:
    for key, charts in (("months-retainer", 3), ("months-other", 3), ("high-oxygen", 1)):
        part = section(files[0], key)
        assert sum(">change 1, 2<" in chart for chart in re.findall(r"<svg.*?</svg>", part, re.DOTALL)) == charts
        assert part.count("Marked: change 1, 2 in May 2026.") >= charts


def test_rules_begin_anew_after_a_change_of_the_whole_hospital(files: Files) -> None:
    title = read(section(files[0], "months-other")).text
    assert "1 month since May 2026 with figures is too few to tell a shift" in title


def test_a_slide_marks_the_month_at_the_end_of_the_axis(files: Files) -> None:
    slide = Presentation(io.BytesIO(files[1])).slides[1]
    for shape in (shape for shape in slide.shapes if shape.has_chart):
        marks = shape.chart.plots[0].series[-1]
        assert marks.name == "Changes"
        assert [value for value in marks.values if value is not None] == [shape.chart.value_axis.maximum_scale]
        assert marks.values[-1] is not None
        assert marks.points[11].data_label.text_frame.text == "1, 2"


def test_hostile_words_stay_text(files: Files) -> None:
    assert "<b>Preset" not in files[0]
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in files[0]
    with zipfile.ZipFile(io.BytesIO(files[1])) as package:
        slides = "".join(package.read(name).decode() for name in package.namelist() if "/slides/slide" in name)
    assert "&lt;b&gt;Preset" in slides
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in slides


def test_a_change_after_the_month_is_not_told(tmp_path: Path) -> None:
    text, _ = pack(tmp_path, DECLARED, MONTHS[0])
    assert 'id="changes' not in text
    assert "change 1" not in read(text).text


def test_a_ward_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ChangesError, match="does not hold"):
        pack(tmp_path, DeclaredChanges((replace(LABELS, ward="Alder "),)))


# --- what slides say to those who listen to them --------------------------------------------------------------------


def test_every_part_of_a_slide_has_words(files: Files) -> None:
    """ECMA-376 part 1, 20.1.2.2.8: `descr` is the alternative text."""
    for slide in Presentation(io.BytesIO(files[1])).slides:
        # Read in the order of the shapes: the message first, the page number last.
        assert slide.shapes[0] == slide.shapes.title
        assert re.fullmatch(r"\d+ / \d+", slide.shapes[-1].text_frame.text)
        for shape in slide.shapes:
            if shape.has_chart or shape.has_table:
                assert len(shape._element.nvGraphicFramePr.cNvPr.get("descr")) > 10
            else:
                assert shape.text_frame.text
            if shape.has_table:
                assert shape.table.first_row


def test_all_of_it_is_in_the_language_of_the_pages(files: Files) -> None:
    with zipfile.ZipFile(io.BytesIO(files[1])) as package:
        parts = [package.read(name).decode() for name in package.namelist() if name.endswith(".xml")]
    assert {lang for part in parts for lang in re.findall(r'\blang="([^"]*)"', part)} == {"en-GB"}
    for slide in Presentation(io.BytesIO(files[1])).slides:
        runs = [*slide._element.iter(qn("a:r")), *slide.notes_slide._element.iter(qn("a:r"))]
        assert {run.find(qn("a:rPr")).get("lang") for run in runs} == {"en-GB"}


def test_a_part_of_a_bar_too_narrow_for_its_figure_has_none(files: Files) -> None:
    slide = Presentation(io.BytesIO(files[1])).slides[0]
    bars = next(shape for shape in slide.shapes if shape.has_chart).chart.plots[0].series
    deleted, narrow = 0, 0
    for one in bars:
        labels = one._element.find(qn("c:dLbls"))
        tags = [child.tag.split("}")[1] for child in labels]
        assert tags == sorted(tags, key=lambda tag: tag != "dLbl")
        deleted += tags.count("dLbl")
        narrow += sum(value < 6 for value in one.values)
    assert deleted == narrow
