"""The pages as slides that can be edited: native charts and tables, and notes for whoever speaks."""

import io
from collections.abc import Sequence
from datetime import date

from pptx import Presentation
from pptx.enum.lang import MSO_LANGUAGE_ID
from pptx.enum.text import MSO_ANCHOR, PP_ALIGN
from pptx.opc.constants import RELATIONSHIP_TYPE
from pptx.util import Inches, Pt

from reports import present_bytes
from reports.present_fit import height_in, row_heights_in, size_that_fits, table_size_that_fits
from reports.present_sheets import COLUMNS, SHARES, Chart, Sheet
from reports.present_slide_charts import add_chart
from reports.present_slide_tables import GREY, INK, add_table, coloured

WIDTH, HEIGHT, SIDE = 13.333, 7.5, 0.55
_ACROSS = WIDTH - 2 * SIDE
_TITLE = (0.3, 1.0)
_LEAD = (1.32, 0.42)
_BODY, _END = 1.92, 6.9
_FOOT = (7.0, 0.3)
_GAP = 0.15
_TABLE_SIZES = (18, 16, 14, 13, 12, 11, 10, 9, 8)
# The letters of a heading are bold and have serifs.
_WIDE_LETTERS = 0.88
_TITLE_ONLY = 5


def slides(sheets: Sequence[Sheet], footer: str, title: str, day: date | None) -> bytes:
    """The pages as a .pptx file; the same pages give the same bytes. day: up to which there are data."""
    deck = Presentation()
    deck.slide_width, deck.slide_height = Inches(WIDTH), Inches(HEIGHT)
    layout = _only_layout(deck)
    for number, sheet in enumerate(sheets, start=1):
        slide = deck.slides.add_slide(layout)
        _add_heading(slide, sheet)
        _BODIES[sheet.layout](slide, sheet)
        _add_text(slide, footer, SIDE, _FOOT[0], _ACROSS - 1.0, _FOOT[1], 9, GREY)
        page = _add_text(slide, f"{number} / {len(sheets)}", WIDTH - SIDE - 0.9, _FOOT[0], 0.9, _FOOT[1], 9, GREY)
        page.text_frame.paragraphs[0].alignment = PP_ALIGN.RIGHT
        _add_notes(slide, (sheet.lead, *sheet.notes, footer))
    _rule(deck, layout)
    _clean(deck, title, day)
    file = io.BytesIO()
    deck.save(file)
    return present_bytes.without_clock(file.getvalue())


def _only_layout(deck):  # type: ignore[no-untyped-def]
    """The one layout that is used, its title where the pages have it; the others are taken out."""
    layout = deck.slide_layouts[_TITLE_ONLY]
    for other in list(deck.slide_layouts):
        if other is not layout:
            deck.slide_layouts.remove(other)
    for place in list(layout.placeholders):
        if place.placeholder_format.type is not None and place.placeholder_format.idx != 0:
            place._element.getparent().remove(place._element)
    return layout


def _add_heading(slide, sheet: Sheet) -> None:  # type: ignore[no-untyped-def]
    top, high = _TITLE
    box = slide.shapes.title
    box.left, box.top, box.width, box.height = Inches(SIDE), Inches(top), Inches(_ACROSS), Inches(high)
    _fill(
        box.text_frame,
        [sheet.title],
        size_that_fits(sheet.title, (26, 24, 22, 20, 18, 16), _WIDE_LETTERS * _ACROSS, high),
        INK,
        bold=True,
    )
    box.text_frame.vertical_anchor = MSO_ANCHOR.BOTTOM
    lead = size_that_fits(sheet.lead, (14, 13, 12, 11, 10), _ACROSS, _LEAD[1])
    _add_text(slide, sheet.lead, SIDE, _LEAD[0], _ACROSS, _LEAD[1], lead, GREY)


def _rule(deck, layout) -> None:  # type: ignore[no-untyped-def]
    """The line under every heading: in the layout, so that it is no part of a slide that has to be told in words."""
    rule = deck.slides[0].shapes.add_connector(1, Inches(SIDE), Inches(1.8), Inches(WIDTH - SIDE), Inches(1.8))
    rule.line.width = Pt(0.75)
    rule.line.color.rgb = coloured(INK)
    rule.shadow.inherit = False
    rule.name = "Rule"
    layout.shapes._spTree.append(rule._element)


def _add_notes(slide, paragraphs: Sequence[str]) -> None:  # type: ignore[no-untyped-def]
    frame = slide.notes_slide.notes_text_frame
    frame.text = "\n".join(paragraphs)
    for paragraph in frame.paragraphs:
        for run in paragraph.runs:
            run.font.language_id = MSO_LANGUAGE_ID.ENGLISH_UK


def _add_text(slide, text: str, left: float, top: float, width: float, height: float, size: float, colour: str):  # type: ignore[no-untyped-def]
    box = slide.shapes.add_textbox(Inches(left), Inches(top), Inches(width), Inches(height))
    _fill(box.text_frame, [text], size, colour)
    return box


def _fill(frame, texts: Sequence[str], size: float, colour: str, bold: bool = False) -> None:  # type: ignore[no-untyped-def]
    frame.word_wrap = True
    frame.margin_left = frame.margin_right = frame.margin_top = frame.margin_bottom = 0
    for place, text in enumerate(texts):
        paragraph = frame.paragraphs[0] if place == 0 else frame.add_paragraph()
        paragraph.alignment = PP_ALIGN.LEFT
        run = paragraph.add_run()
        run.text = text
        run.font.size, run.font.bold = Pt(size), bold
        run.font.color.rgb = coloured(colour)
        run.font.language_id = MSO_LANGUAGE_ID.ENGLISH_UK


def _stacked(slide, sheet: Sheet) -> None:  # type: ignore[no-untyped-def]
    """Charts side by side, the tables under them, then the points."""
    high = 1.75 if sheet.charts[0].kind == SHARES else 2.75
    wide = (_ACROSS - _GAP * (len(sheet.charts) - 1)) / len(sheet.charts)
    for place, chart in enumerate(sheet.charts):
        _add_figure(slide, chart, SIDE + place * (wide + _GAP), _BODY, wide, high)
    _words(slide, sheet, SIDE, _BODY + high + 0.1, _ACROSS)


def _split(slide, sheet: Sheet) -> None:  # type: ignore[no-untyped-def]
    """Charts in the left half, tables and points in the right one."""
    half = (_ACROSS - 0.4) / 2
    wide = (half - _GAP * (len(sheet.charts) - 1)) / len(sheet.charts)
    for place, chart in enumerate(sheet.charts):
        high = 4.6 if chart.kind == COLUMNS else min(_END - _BODY, 1.3 + 0.38 * len(chart.names))
        _add_figure(slide, chart, SIDE + place * (wide + _GAP), _BODY, wide, high)
    _words(slide, sheet, SIDE + half + 0.4, _BODY, half)


def _text(slide, sheet: Sheet) -> None:  # type: ignore[no-untyped-def]
    _words(slide, sheet, SIDE, _BODY, _ACROSS)


_BODIES = {"stacked": _stacked, "split": _split, "text": _text}


def _add_figure(slide, chart: Chart, left: float, top: float, width: float, height: float) -> None:  # type: ignore[no-untyped-def]
    size = size_that_fits(chart.title, (12, 11, 10, 9), width, 0.25)
    _add_text(slide, chart.title, left, top, width, 0.25, size, INK)
    if chart.known:
        add_chart(slide, chart, left, top + 0.27, width, height - 0.27)
    else:
        _add_text(slide, "No figure to draw.", left, top + 0.3, width, 0.3, 11, GREY)


def _words(slide, sheet: Sheet, left: float, top: float, width: float) -> None:  # type: ignore[no-untyped-def]
    points = _points_height(sheet.points, 12, width)
    for table in sheet.tables:
        if table.caption:
            _add_text(
                slide,
                table.caption,
                left,
                top,
                width,
                0.22,
                size_that_fits(table.caption, (10, 9, 8), width, 0.22),
                GREY,
            )
            top += 0.24
        size = table_size_that_fits(table, _TABLE_SIZES, width, _END - top - points)
        add_table(slide, table, left, top, width, size)
        top += sum(row_heights_in(table, size, width)) + 0.15
    if sheet.points:
        size = next(
            (size for size in (16, 14, 13, 12, 11, 10) if _points_height(sheet.points, size, width) <= _END - top), 10
        )
        box = slide.shapes.add_textbox(Inches(left), Inches(top), Inches(width), Inches(_END - top))
        _fill(box.text_frame, [f"\N{EN DASH} {point}" for point in sheet.points], size, INK)
        for paragraph in box.text_frame.paragraphs:
            paragraph.space_after = Pt(_BETWEEN_PT)


_BETWEEN_PT = 5


def _points_height(points: Sequence[str], size: float, width: float) -> float:
    return sum(height_in(f"- {point}", size, width) + _BETWEEN_PT / 72 for point in points)


def _clean(deck, title: str, day: date | None) -> None:  # type: ignore[no-untyped-def]
    """Fixed properties, an own theme, and nothing of the template that is not used."""
    properties, moment = deck.core_properties, present_bytes.midnight(day)
    properties.title, properties.author, properties.last_modified_by = title, "bandaudit", "bandaudit"
    properties.subject, properties.keywords, properties.comments, properties.category = (
        "Retrospective audit",
        "",
        "",
        "",
    )
    properties.created = properties.modified = properties.last_printed = moment
    properties.revision = 1
    package = deck.part.package
    for owner, kinds in ((package, (RELATIONSHIP_TYPE.THUMBNAIL,)), (deck.part, (RELATIONSHIP_TYPE.PRINTER_SETTINGS,))):
        for name, relation in list(owner._rels.items()):
            if relation.reltype in kinds:
                owner._rels.pop(name)
    for part in package.iter_parts():
        _speak_english(part)
        if str(part.partname) == "/docProps/app.xml":
            part._blob = present_bytes.own_application(part._blob)
        elif str(part.partname).startswith("/ppt/theme/") and hasattr(part, "_blob") and part._blob:
            part._blob = present_bytes.own_theme(part._blob)


def _speak_english(part) -> None:  # type: ignore[no-untyped-def]
    """Sets the language of all texts of a part to that of the pages; those of the template have another one."""
    if hasattr(part, "_element"):
        for element in part._element.xpath("//*[@lang]"):
            element.set("lang", "en-GB")
