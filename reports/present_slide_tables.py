"""A table on a slide, plain: rules between its rows and nothing else."""

from collections.abc import Sequence

from lxml import etree
from pptx.dml.color import RGBColor
from pptx.enum.lang import MSO_LANGUAGE_ID
from pptx.enum.text import PP_ALIGN
from pptx.oxml.ns import qn
from pptx.util import Inches, Pt

from reports.palette import light
from reports.present_fit import CELL_SIDE_IN, CELL_TOP_IN, column_widths_in, row_heights_in, small_size
from reports.present_sheets import Cell, Table

INK, GREY, LINE = light("ink"), light("grey"), light("line")
# "No style, no grid" (ECMA-376, the built-in table styles).
_PLAIN = "{2D5ABB26-0587-4C30-8999-92F81FD0307C}"


def coloured(hexadecimal: str) -> RGBColor:
    """A colour as the slides take it."""
    return RGBColor.from_string(hexadecimal.lstrip("#").upper())


def add_table(slide, table: Table, left: float, top: float, width: float, size: float) -> None:  # type: ignore[no-untyped-def]
    """Adds a table at this place (inches), its letters of this size (points)."""
    heights = row_heights_in(table, size, width)
    shape = slide.shapes.add_table(
        len(table.rows) + 1, len(table.head), Inches(left), Inches(top), Inches(width), Inches(sum(heights))
    )
    shape.name = table.caption or "Table"
    shape._element.nvGraphicFramePr.cNvPr.set("descr", table.caption or "Table of terms")
    drawn = shape.table
    drawn.horz_banding = False
    drawn._tbl.tblPr.find(qn("a:tableStyleId")).text = _PLAIN
    for column, each in zip(drawn.columns, column_widths_in(table, width), strict=True):
        column.width = Inches(each)
    rows: list[Sequence[Cell]] = [[Cell(text) for text in table.head], *table.rows]
    for number, (row, cells, height) in enumerate(zip(drawn.rows, rows, heights, strict=True)):
        row.height = Inches(height)
        for place, (box, cell) in enumerate(zip(row.cells, cells, strict=True)):
            _fill(
                box,
                cell,
                size,
                bold=number == 0 or (place == 0 and table.figures_from < 4),
                right=place >= table.figures_from,
            )
            _rule(box, INK if number == 0 else LINE)


def _fill(box, cell: Cell, size: float, bold: bool, right: bool) -> None:  # type: ignore[no-untyped-def]
    box.margin_left = box.margin_right = Inches(CELL_SIDE_IN)
    box.margin_top = box.margin_bottom = Inches(CELL_TOP_IN)
    frame = box.text_frame
    frame.word_wrap = True
    texts = [(cell.text, size, bold, INK)] + ([(cell.small, small_size(size), False, GREY)] if cell.small else [])
    for place, (text, points, heavy, colour) in enumerate(texts):
        paragraph = frame.paragraphs[0] if place == 0 else frame.add_paragraph()
        paragraph.alignment = PP_ALIGN.RIGHT if right else PP_ALIGN.LEFT
        paragraph.font.size = Pt(points)
        if not text:
            continue
        run = paragraph.add_run()
        run.text = text
        run.font.size, run.font.bold = Pt(points), heavy
        run.font.color.rgb = coloured(colour)
        run.font.language_id = MSO_LANGUAGE_ID.ENGLISH_UK


def _rule(box, colour: str) -> None:  # type: ignore[no-untyped-def]
    """A thin line under a cell."""
    properties = box._tc.get_or_add_tcPr()
    line = etree.SubElement(properties, qn("a:lnB"), w="6350")
    etree.SubElement(etree.SubElement(line, qn("a:solidFill")), qn("a:srgbClr"), val=colour.lstrip("#").upper())
