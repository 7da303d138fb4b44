"""Whether a text fits into its box on a slide, reckoned without a font: wide letters are assumed throughout."""

import textwrap
from collections.abc import Sequence
from math import ceil

from reports.present_sheets import Cell, Table

# Of the size of the letters: the width of an average one, with some to spare (common practice, no source).
_WIDTH, _LINE = 0.55, 1.2
CELL_SIDE_IN, CELL_TOP_IN = 0.05, 0.035
_POINTS_AN_INCH = 72


def lines(text: str, size_pt: float, width_in: float) -> int:
    """How many lines a text takes at this size in this width."""
    at_most = max(1, int(width_in * _POINTS_AN_INCH / (_WIDTH * size_pt)))
    return sum(max(1, len(textwrap.wrap(part, at_most))) for part in text.split("\n")) if text else 0


def height_in(text: str, size_pt: float, width_in: float) -> float:
    """The height a text takes, in inches."""
    return lines(text, size_pt, width_in) * size_pt * _LINE / _POINTS_AN_INCH


def size_that_fits(text: str, sizes_pt: Sequence[float], width_in: float, most_in: float) -> float:
    """The first of these sizes at which a text fits the box; the last one if none does."""
    return next((size for size in sizes_pt if height_in(text, size, width_in) <= most_in), sizes_pt[-1])


def small_size(size_pt: float) -> float:
    """The size of what stands small in a cell."""
    return max(8.0, ceil(0.75 * size_pt))


def column_widths_in(table: Table, width_in: float) -> list[float]:
    """The widths of the columns of a table that is this wide."""
    return [width_in * part / sum(table.widths) for part in table.widths]


def row_heights_in(table: Table, size_pt: float, width_in: float) -> list[float]:
    """The heights of the rows of a table, the head first."""
    widths = [width - 2 * CELL_SIDE_IN for width in column_widths_in(table, width_in)]

    def tallest(cells: Sequence[Cell]) -> float:
        found = [
            height_in(cell.text, size_pt, width) + height_in(cell.small, small_size(size_pt), width)
            for cell, width in zip(cells, widths, strict=True)
        ]
        return max(found) + 2 * CELL_TOP_IN

    return [tallest([Cell(text) for text in table.head]), *(tallest(row) for row in table.rows)]


def table_size_that_fits(table: Table, sizes_pt: Sequence[float], width_in: float, most_in: float) -> float:
    """The first of these sizes at which a table fits into this height; the last one if none does."""
    return next((size for size in sizes_pt if sum(row_heights_in(table, size, width_in)) <= most_in), sizes_pt[-1])
