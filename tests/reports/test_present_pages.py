"""The pages for the board: one list of contents as HTML and as slides, the same words and figures, the same bytes."""

import io
import re
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import duckdb
import pytest
from PIL import ImageFont
from pptx import Presentation
from pptx.oxml.ns import qn
from pptx.util import Emu

from pipeline.declared_changes import NONE_DECLARED, DeclaredChange, DeclaredChanges
from pipeline.errors import AuditError
from pipeline.policy import read_policy
from reports.present import write_presentation
from tests.reports.attack import of_html, of_slides
from tests.reports.fabricated import HOSTILE, LAST_MONTH, Scenario, fabricated_store
from tests.reports.reading import read
from tests.reports.small_hospital import MONTHS, Sizes, made_up, store_of

POLICY = read_policy()
LARGE = Sizes((60, 60), (90, 90), 0.6, 0.5, 0.5, 0.5, 0.5, 3, 8.0, 3)
KEYS = [
    "answer",
    "months-retainer",
    "months-other",
    "wards",
    "high-oxygen",
    "pathway",
    "trust",
    "discuss",
    "definitions",
]
# Metric-compatible with Arial, so that its widths are those on the slides.
LIBERATION = Path("/usr/share/fonts/truetype/liberation/LiberationSans-Regular.ttf")
# The elements of a series in the order of the schema: ECMA-376 part 1, 21.2.2, as the source of python-pptx lists them.
SERIES_ORDER = (
    *("idx", "order", "tx", "spPr", "invertIfNegative", "pictureOptions", "marker", "explosion", "dPt", "dLbls"),
    *("trendline", "errBars", "cat", "val", "smooth"),
)
Files = tuple[str, bytes]


def write(
    store: duckdb.DuckDBPyConnection, folder: Path, month: str | None, declared: DeclaredChanges = NONE_DECLARED
) -> Files:
    html, pptx = write_presentation(store, folder, month, POLICY, declared)
    return html.read_text(encoding="utf-8"), pptx.read_bytes()


# As many as a page holds and more, some on one day, with the longest text that a change may have.
CHANGED = DeclaredChanges(
    (
        DeclaredChange(date(2026, 4, 14), "<b>Champions</b> on every shift \N{RIGHT-TO-LEFT OVERRIDE}" + "W" * 80),
        DeclaredChange(date(2026, 4, 14), "Flow labels on valves " * 5, "Alder"),
        *(
            DeclaredChange(date(2026, 5, 1), f"Card {place} " * 13, ward)
            for place, ward in enumerate(("Birch", "Cedar"))
        ),
        DeclaredChange(date(2026, 5, 1), "88-92 % preset for known CO2 retainers"),
        DeclaredChange(date(2026, 5, 20), "Teaching"),
    ),
    fingerprint="0123456789ab",
)


@pytest.fixture(scope="module", params=["measured", "changed", "hostile", "nobody", "unobserved", "early"])
def files(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Files]:
    folder = tmp_path_factory.mktemp("present")
    if request.param in ("measured", "changed"):
        with store_of(made_up(LARGE)) as con:
            yield write(con, folder, MONTHS[1], CHANGED if request.param == "changed" else NONE_DECLARED)
        return
    scenario = {
        "hostile": Scenario(),
        "nobody": Scenario(retainers=0, others=0, episodes=0, months=("2026-05",)),
        "unobserved": Scenario(observed=False),
        "early": Scenario(retainers=3, others=30, months=("2026-04", "2026-05")),
    }[request.param]
    if request.param == "nobody":
        scenario = replace(scenario, others=20)
    store = fabricated_store(folder / "store.duckdb", scenario)
    with duckdb.connect(str(store), read_only=True) as con:
        yield write(con, folder, LAST_MONTH)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Files:
    with store_of(made_up(LARGE)) as con:
        return write(con, tmp_path_factory.mktemp("measured"), MONTHS[1])


def test_the_pages_stand_in_order_each_with_its_message_and_the_retrospective_note(files: Files) -> None:
    page = read(files[0])
    keys = [str(attributes["id"]) for attributes in page.named("section")]
    assert [key for key in keys if not key.startswith("changes")] == KEYS
    levels = [tag for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels == ["h1"] + ["h2"] * len(keys)
    titles = re.findall(r"<h2[^>]*>(.*?)</h2>", files[0])
    # A message is a sentence: a verb's worth of words, not a heading of two or three.
    assert all(len(title.split()) >= 8 for title in titles)
    assert page.text.count("Retrospective: charted data of a month gone by") == len(keys)
    assert "nan" not in page.text.lower().split()
    assert "None" not in page.text.split()


def test_html_and_slides_say_the_same(files: Files) -> None:
    html, slides = of_html(files[0]), of_slides(files[1])
    texts = [words for words in re.findall(r"<(?:h2|p|li|figcaption)[^>]*>([^<]+)<", files[0]) if words.strip()]
    assert len(texts) > 40
    for words in (read(text).text for text in texts):
        assert (
            re.sub(r"[<>&\"']", "", words) in re.sub(r"&\w+;|[<>&\"']", "", slides.words) or "figure to draw" in words
        )
    assert [[_cells(row) for row in table] for table in html.tables] == [
        [_cells(row) for row in table] for table in slides.tables
    ]


def _cells(row: list[str]) -> list[str]:
    return [" ".join(cell.split()) for cell in row]


def test_below_is_on_every_page_that_shows_above(files: Files) -> None:
    for section in re.findall(r"<section.*?</section>", files[0], re.DOTALL):
        text = read(section).text.lower()
        if "above the band on oxygen" in text or "above, on oxygen" in text:
            assert "below" in text


def test_every_slide_has_a_title_and_notes_with_the_caveats(files: Files) -> None:
    deck = Presentation(io.BytesIO(files[1]))
    assert len(deck.slides) == files[0].count("<section")
    for slide in deck.slides:
        assert slide.shapes.title is not None
        assert slide.shapes.title.text_frame.text
        notes = slide.notes_slide.notes_text_frame.text
        assert len(notes) > 200
        assert "not advice for any one patient" in notes
        assert not [
            shape for shape in slide.shapes if shape.shape_type is not None and "PICTURE" in str(shape.shape_type)
        ]
    assert (deck.slide_width, deck.slide_height) == (12191695, 6858000)


def test_charts_are_native_with_the_printed_figures_behind_them(measured: Files) -> None:
    deck = Presentation(io.BytesIO(measured[1]))
    charts = [shape for slide in deck.slides for shape in slide.shapes if shape.has_chart]
    assert len(charts) == 1 + 3 + 3 + 2 + 1 + 1
    for shape in charts:
        assert len(shape._element.nvGraphicFramePr.cNvPr.get("descr")) > 40
        plot = shape.chart.plots[0]
        assert len(list(plot.categories)) >= 2
        with zipfile.ZipFile(io.BytesIO(shape.chart.part.chart_workbook.xlsx_part.blob)) as book:
            sheet = book.read("xl/worksheets/sheet1.xml").decode()
        behind = [float(value) for value in re.findall(r"<c r=\"[B-Z]\d+\"><v>([^<]+)</v>", sheet)]
        drawn = [value for series in plot.series for value in series.values if value is not None]
        assert sorted(behind) == sorted(drawn)
        # Nothing finer than is printed: at most one decimal.
        assert all(round(value, 1) == value for value in drawn)


def test_a_trend_holds_the_figures_of_the_table_under_it(measured: Files) -> None:
    slide = Presentation(io.BytesIO(measured[1])).slides[1]
    table = next(shape.table for shape in slide.shapes if shape.has_table)
    series = [shape.chart.plots[0].series[0] for shape in slide.shapes if shape.has_chart]
    for row, one in zip(list(table.rows)[1:], series, strict=True):
        printed = [cell.text_frame.paragraphs[0].text for cell in list(row.cells)[1:]]
        assert [_printed(value) for value in one.values] == printed


def _printed(value: float | None) -> str:
    if value is None:
        return "\N{EN DASH}"
    return f"{value:.{1 if 0 < value < 9.95 else 0}f}\xa0%"


def test_intervals_are_error_bars_where_the_schema_has_them(measured: Files) -> None:
    deck = Presentation(io.BytesIO(measured[1]))
    found = 0
    for shape in (shape for slide in deck.slides for shape in slide.shapes if shape.has_chart):
        for series in shape.chart.part._element.iter(qn("c:ser")):
            tags = [child.tag for child in series]
            if qn("c:errBars") not in tags:
                continue
            found += 1
            bars = series.find(qn("c:errBars"))
            assert tags.index(qn("c:errBars")) < tags.index(qn("c:cat")) < tags.index(qn("c:val"))
            assert tags.index(qn("c:spPr")) < tags.index(qn("c:errBars"))
            kinds = [child.tag.split("}")[1] for child in bars]
            assert kinds[-6:] == ["errBarType", "errValType", "noEndCap", "plus", "minus", "spPr"]
            known = [SERIES_ORDER.index(tag.split("}")[1]) for tag in tags]
            assert known == sorted(known)
    assert found == 3 + 3 + 2 + 1


@pytest.mark.skipif(not LIBERATION.exists(), reason="no font with the widths of Arial here")
def test_no_text_on_a_slide_is_larger_than_its_box(files: Files) -> None:
    """Measured with a real font of the widths of Arial; a heading's serifs are taken as a tenth wider."""
    deck = Presentation(io.BytesIO(files[1]))
    for number, slide in enumerate(deck.slides, start=1):
        for shape in slide.shapes:
            assert shape.left >= 0
            assert shape.left + shape.width <= deck.slide_width
            if shape.has_text_frame:
                wide = 1.1 if shape == slide.shapes.title else 1.0
                needed = _height(shape.text_frame, Emu(shape.width).pt / wide)
                assert needed <= Emu(shape.height).pt + 1, (number, shape.text_frame.text)
                assert shape.top + shape.height <= deck.slide_height
            if shape.has_table:
                for row in shape.table.rows:
                    for cell, column in zip(row.cells, shape.table.columns, strict=True):
                        needed = _height(cell.text_frame, Emu(column.width).pt - 7.2) + 5
                        assert needed <= Emu(row.height).pt + 1, (number, cell.text_frame.text)
                end = Emu(shape.top + sum(row.height for row in shape.table.rows)).inches
                assert end <= 7.0, number


def _height(frame: object, width_pt: float) -> float:
    return sum(
        _lines(run.text, run.font.size.pt, width_pt) * 1.2 * run.font.size.pt
        for paragraph in frame.paragraphs  # type: ignore[attr-defined]
        for run in paragraph.runs
    )


def _lines(text: str, size: float, width_pt: float) -> int:
    font, count, line = ImageFont.truetype(str(LIBERATION), 100), 1, ""
    for word in text.split(" "):
        longer = f"{line} {word}".strip()
        if line and font.getlength(longer) * size / 100 > width_pt:
            count, line = count + 1, word
        else:
            line = longer
    return count


def test_the_same_store_month_and_policy_give_the_same_bytes(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    written = []
    for folder in ("once", "again"):
        with duckdb.connect(str(store), read_only=True) as con:
            written.append(write(con, tmp_path / folder, None))
        # Zip files keep times in steps of two seconds.
        time.sleep(2.1)
    assert written[0] == written[1]
    with zipfile.ZipFile(io.BytesIO(written[0][1])) as package:
        assert {entry.date_time for entry in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert package.testzip() is None
        core = package.read("docProps/core.xml").decode()
        assert not any("thumbnail" in name or "printerSettings" in name for name in package.namelist())
    # The day up to which there are data, and no other time.
    assert set(re.findall(r"\d{4}-\d\d-\d\dT[\d:]+Z", core)) == {"2026-06-03T00:00:00Z"}


def test_hostile_names_stay_text_in_both(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    hostile = [
        '=HYPERLINK("http://x")',
        "+1+1",
        "@SUM(A1)",
        "http://a.example",
        "tab\there",
        "bell\x07 \x0b",
        "\ufffe odd",
    ]
    with duckdb.connect(str(store)) as con:
        for ward in ("Alder", "Birch"):
            con.execute("update month_summary set ward = ? where ward = ?", [hostile.pop(0), ward])
        con.execute("update month_summary set ward = ? where ward = 'Cedar'", [hostile[4 - 1]])
        html, pptx = write(con, tmp_path, LAST_MONTH)
    page = read(html)
    assert not page.named("script")
    assert not [name for _, attributes in page.elements for name in attributes if name.startswith("on")]
    assert HOSTILE[:20] in page.text
    for name in ("src", "srcset", "data", "action", "poster", "href"):
        led = [str(attributes[name]) for _, attributes in page.elements if name in attributes]
        assert not [place for place in led if not place.startswith("#")]
    with zipfile.ZipFile(io.BytesIO(pptx)) as package:
        books = [package.read(name) for name in package.namelist() if name.endswith(".xlsx")]
        external = [name for name in package.namelist() if b'TargetMode="External"' in package.read(name)]
    assert external == []
    for book in books:
        with zipfile.ZipFile(io.BytesIO(book)) as inside:
            parts = {name: inside.read(name).decode("utf-8") for name in inside.namelist()}
        assert not re.search(r"<f[ >]", parts["xl/worksheets/sheet1.xml"])
        assert not [name for name, text in parts.items() if 'TargetMode="External"' in text]
        assert "2000-01-01T00:00:00Z" in parts["docProps/core.xml"]


def test_many_wards_take_more_pages_in_alphabetical_order(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    with duckdb.connect(str(store)) as con:
        con.execute("delete from month_summary where ward is not null")
        for number in range(23):
            con.execute(
                "insert into month_summary by name select * replace (? as ward) from month_summary "
                'where ward is null and "group" is null',
                [f"Ward {chr(65 + number)} of the building at the far end of the long road"],
            )
        html, pptx = write(con, tmp_path, LAST_MONTH)
    rows = [row[0] for table in of_html(html).tables if table[0][0] == "Ward" for row in table[1:]]
    wards = [row for row in rows if row != "Hospital"]
    assert wards == sorted(wards)
    assert len(wards) == 23
    assert len(Presentation(io.BytesIO(pptx)).slides) == len(KEYS) + 2
    assert all(len(ward) <= 44 for ward in wards)


def test_a_month_that_is_not_in_the_store_is_refused(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    with duckdb.connect(str(store), read_only=True) as con, pytest.raises(AuditError, match="not in the store"):
        write_presentation(con, tmp_path, "1999-01", POLICY)


def test_without_devices_nothing_is_said_about_oxygen(tmp_path: Path) -> None:
    store = fabricated_store(tmp_path / "store.duckdb")
    with duckdb.connect(str(store)) as con:
        con.execute("delete from load_ledger where table_name = 'devices'")
        html, _ = write(con, tmp_path, LAST_MONTH)
    text = read(html).text
    assert "cannot be shown for May 2026: no devices were loaded" in text
    assert "above it on oxygen for an unknown share" in text
    assert "cannot be told: no devices were loaded" in text


def test_the_command_line_loads_no_slides_before_they_are_asked_for() -> None:
    code = "import pipeline.cli, sys; pipeline.cli._parser(); print([m for m in ('pptx', 'lxml') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
