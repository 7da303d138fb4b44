"""What every lane of the chart of a stay needs: where things lie, an axis of values, step lines and thresholds."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from reports.case_drawing import Drawing, Rule, Words
from reports.case_record import Record
from reports.charts import GREY, INK

WIDTH, LEFT, RIGHT = 1290.0, 176.0, 124.0
HALF_PIXEL = 0.5


@dataclass(frozen=True)
class Place:
    """Where things of one stay lie: instants to pixels."""

    record: Record

    def x(self, at: datetime) -> float:
        into = (at - self.record.started_at).total_seconds() / self.record.seconds
        return round(LEFT + min(max(into, 0.0), 1.0) * (WIDTH - LEFT - RIGHT), 2)


@dataclass(frozen=True)
class Lane:
    """A part of the chart with an axis of values: from `bottom` at its lower edge to `top` at its upper one."""

    y: float
    height: float
    bottom: float
    top: float

    def place(self, value: float) -> float:
        share = (min(max(value, self.bottom), self.top) - self.bottom) / (self.top - self.bottom)
        return round(self.y + self.height * (1 - share), 2)


def draw_lane(drawing: Drawing, lane: Lane, title: str, values: Sequence[float], remarks: Sequence[str] = ()) -> None:
    first = lane.y + lane.height / 2 - 6 * len(remarks)
    drawing.add(
        Words(4, first, title, "left", 10.5, INK, "bold"),
    )
    for edge in (lane.y, lane.y + lane.height):
        drawing.grid.append(Rule(LEFT, WIDTH - RIGHT, edge, edge))
    for number, remark in enumerate(remarks, start=1):
        drawing.add(Words(4, first + 12 * number, remark, "left", 9.5, GREY))
    for value in values:
        at = lane.place(value)
        drawing.grid.append(Rule(LEFT, WIDTH - RIGHT, at, at))
        drawing.add(Words(LEFT - 6, at, f"{value:g}", "right", 9.5, GREY))


def step_line(
    drawing: Drawing, place: Place, lane: Lane, parts: pl.DataFrame, column: str, color: str, width: float
) -> None:
    """A step line over stretches; stretches without a value leave a gap."""
    before: tuple[datetime, float] | None = None
    # By half pixel from where to where the line goes up or down: a monitor may change every minute.
    upright: dict[float, tuple[float, float]] = {}
    for row in parts.rows(named=True):
        if row[column] is None:
            before = None
            continue
        x, x2, y = place.x(row["started_at"]), place.x(row["ended_at"]), lane.place(row[column])
        if x2 - x >= HALF_PIXEL:
            drawing.add(Rule(x, x2, y, y, color, width))
        ends = (y, before[1]) if before is not None and before[0] == row["started_at"] else (y, y)
        spot = round(x / HALF_PIXEL) * HALF_PIXEL
        low, high = upright.get(spot, ends)
        upright[spot] = (min(low, *ends), max(high, *ends))
        before = (row["ended_at"], y)
    for x, (low, high) in upright.items():
        if low < high:
            drawing.add(Rule(x, x, low, high, color, width))


def value_lane(y: float, height: float, values: Sequence[float], figures_under: bool = False) -> Lane:
    """A lane with room for a figure over the highest value, or under the lowest, and for a symbol at the other end."""
    lowest, highest = min(values), max(values)
    per_pixel = (highest - lowest or 0.1) / max(height - 21, 1)
    under, over = (15, 6) if figures_under else (6, 15)
    return Lane(y, height, lowest - under * per_pixel, highest + over * per_pixel)


def threshold_line(drawing: Drawing, lane: Lane, value: float, words: str) -> None:
    at = lane.place(value)
    drawing.add(
        Rule(LEFT, WIDTH - RIGHT, at, at, GREY, 0.9, dashed=True),
        Words(WIDTH - RIGHT + 6, at, words, "left", 9.5, GREY),
    )
