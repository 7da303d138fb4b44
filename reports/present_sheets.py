"""What a page to be presented is made of: said once, and drawn from it as a page of HTML and as a slide."""

from collections.abc import Sequence
from dataclasses import dataclass

from reports.trend_chart import Placed

TREND = "trend"
COLUMNS = "columns"
ROWS = "rows"
SHARES = "shares"


@dataclass(frozen=True)
class Cell:
    """One cell of a table: the text, and what stands small under it (empty: nothing)."""

    text: str
    small: str = ""


@dataclass(frozen=True)
class Table:
    """One table. widths: of the columns, in relation to each other; from `figures_from` on cells are set right."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[float, ...]
    figures_from: int = 1


@dataclass(frozen=True)
class Series:
    """One series of a chart, as it is shown: rounded to what the page prints, null where there is no figure.

    lows, highs: ends of the 95 % intervals; empty where the chart has none.
    """

    name: str
    values: tuple[float | None, ...]
    lows: tuple[float | None, ...] = ()
    highs: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class Chart:
    """One chart, drawn by `present_charts` as SVG and by `present_slides` as a chart that can be edited.

    kind: trend (months from left to right, a dot and an interval each), columns (months, a column each), rows (a
    name each with a dot or bar and an interval), shares (a name each with one bar cut into parts). names: of the
    months or rows. ends: of the axis. reference: a value to compare every row with; null: none. text: what it shows,
    for those who do not see it. marks: what was changed, on a chart of months.
    """

    kind: str
    title: str
    unit: str
    names: tuple[str, ...]
    series: tuple[Series, ...]
    ends: tuple[float, float]
    text: str
    reference: float | None = None
    marks: tuple[Placed, ...] = ()

    @property
    def known(self) -> bool:
        """Whether there is any figure to draw."""
        return any(value is not None for series in self.series for value in series.values)


@dataclass(frozen=True)
class Sheet:
    """One page: its message as a full sentence, what it rests on, and what to say beside it.

    layout: "stacked" (charts side by side, the table under them), "split" (charts on the left, table and points on the
    right) or "text" (table and points over the whole width). notes: paragraphs for whoever presents the page.
    """

    key: str
    title: str
    lead: str
    layout: str
    charts: tuple[Chart, ...] = ()
    tables: tuple[Table, ...] = ()
    points: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def cells(texts: Sequence[str]) -> tuple[Cell, ...]:
    """Plain cells, one for each text."""
    return tuple(Cell(text) for text in texts)
