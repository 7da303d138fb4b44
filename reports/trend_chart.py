"""A figure by month: dots with intervals, the limits of its control chart, and rules at what was changed."""

from calendar import monthrange
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import groupby
from math import inf

import altair as alt
from markupsafe import Markup

from reports import charts
from reports.charts import ACCENT, GREY, INK, SIZE, Point

WIDTH = 390
_HEIGHT = 124
_LIMIT_NAMES = {"high": "upper limit", "low": "lower limit", "centre": "mean"}
# Names nearer to each other than this part of the axis would run into each other.
_ROOM_FOR_A_NAME = 0.09
# Pixels that a letter of the name of a mark takes, with some to spare, and from one line of names to the next.
_LETTER, _LINE = 6, 12


@dataclass(frozen=True)
class MonthLimits:
    """The limits of one month, in the unit of the axis; `stretch` counts the stretches between declared changes."""

    month: str
    low: float
    centre: float
    high: float
    stretch: int


@dataclass(frozen=True)
class Mark:
    """A rule across the chart at a day, with its name."""

    day: date
    name: str
    dashed: bool = False


@dataclass(frozen=True)
class Placed:
    """A mark on a chart of months: in which of them, how far into it (-0.5 to 0.5, 0: its middle), and its name."""

    place: int
    within: float
    name: str
    dashed: bool


def placed(marks: Iterable[Mark], months: Sequence[str]) -> tuple[Placed, ...]:
    """The marks that fall into these months, by their days."""
    return tuple(
        Placed(months.index(f"{mark.day:%Y-%m}"), _within_its_month(mark.day), mark.name, mark.dashed)
        for mark in sorted(marks, key=lambda mark: mark.day)
        if f"{mark.day:%Y-%m}" in months
    )


def _within_its_month(day: date) -> float:
    return (day.day - 1) / monthrange(day.year, day.month)[1] - 0.5


def ends_of(points: Iterable[Point], limits: Iterable[MonthLimits], large: bool = False) -> tuple[float, float]:
    """The ends of an axis that holds the figures and, as far as there is room, their limits.

    large: of a large share, whose axis ends at 100 % and need not begin at 0.
    """
    all_points = [*points, *(Point(limit.month, limit.centre, limit.low, limit.high) for limit in limits)]
    if large:
        return charts.bottom_of(point.low for point in all_points), 100.0
    return 0.0, charts.top_of(all_points)


def trend(
    points: Sequence[Point],
    last: str,
    label: str,
    axis_title: str,
    ends: tuple[float, float] | None = None,
    limits: Sequence[MonthLimits] = (),
    marks: Sequence[Mark] = (),
) -> Markup:
    """Months from left to right, a dot and a 95 % interval each, every month once and in order.

    last: the text beside the last dot. ends: of the axis; without them from 0 to above the highest value.
    """
    return _drawn(tuple(points), last, label, axis_title, ends or ends_of(points, limits), tuple(limits), tuple(marks))


@lru_cache(maxsize=500)
def _drawn(
    points: tuple[Point, ...],
    last: str,
    label: str,
    axis_title: str,
    ends: tuple[float, float],
    limits: tuple[MonthLimits, ...],
    marks: tuple[Mark, ...],
) -> Markup:
    bottom, top = ends
    months = [point.month for point in points]
    drawn_limits = [limit for limit in limits if limit.month in months]
    x = alt.X(
        "month:O",
        scale=alt.Scale(domain=months),
        axis=alt.Axis(title=None, grid=False, labelAngle=0, labelExpr=charts.month_label_expression(months)),
    )
    scale = alt.Scale(domain=[bottom, top])
    axis = alt.Axis(title=axis_title, tickCount=4, domain=False, ticks=False)
    y, low = (alt.Y(f"{end}:Q", scale=scale, axis=axis) for end in ("value", "low"))
    base = alt.Chart(charts.values([_within(point, bottom, top) for point in points]))
    known = base.transform_filter("isValid(datum.value)")
    layers = [
        *_limit_layers(drawn_limits, x, scale, axis, (bottom, top)),
        *_limit_names(drawn_limits, months[-1], x, scale, axis, (bottom, top), points[-1].value),
        known.mark_rule(strokeWidth=1.4, opacity=0.7, color=ACCENT).encode(x, low, alt.Y2("high")),
        base.mark_line(strokeWidth=1.6, color=ACCENT).encode(x, y),
        known.mark_point(filled=True, size=30 if len(months) <= 14 else 22, opacity=1, color=ACCENT).encode(x, y),
        *mark_layers(placed(marks, months), x, "month", months, WIDTH),
    ]
    if points[-1].value is not None:
        beside = alt.Chart(charts.values([_within(points[-1], bottom, top)]))
        layers.append(beside.mark_text(text=last, align="left", dx=9, fontSize=SIZE, color=INK).encode(x, y))
    return charts.svg(alt.layer(*layers).properties(width=WIDTH, height=_HEIGHT), label)


def _limit_layers(
    limits: Sequence[MonthLimits], x: alt.X, scale: alt.Scale, axis: alt.Axis, ends: tuple[float, float]
) -> list[alt.Chart]:
    layers = []
    for end in _LIMIT_NAMES:
        # A limit beyond the axis is told in words only.
        rows = [
            {"month": limit.month, "limit": getattr(limit, end), "stretch": limit.stretch}
            for limit in limits
            if ends[0] <= getattr(limit, end) <= ends[1]
        ]
        if rows:
            line = alt.Chart(charts.values(rows)).mark_line(
                strokeWidth=0.8, color=GREY, strokeDash=[1, 0] if end == "centre" else [4, 3], interpolate="step"
            )
            layers.append(line.encode(x, alt.Y("limit:Q", scale=scale, axis=axis), alt.Detail("stretch:N")))
    return layers


def _limit_names(
    limits: Sequence[MonthLimits],
    last_month: str,
    x: alt.X,
    scale: alt.Scale,
    axis: alt.Axis,
    ends: tuple[float, float],
    last_value: float | None,
) -> list[alt.Chart]:
    """The names of the limits beside the last month, where there is room; the words under the chart give them too."""
    taken = [] if last_value is None else [last_value]
    rows = []
    for end, name in _LIMIT_NAMES.items():
        for limit in limits:
            height = getattr(limit, end)
            near = any(abs(height - other) < _ROOM_FOR_A_NAME * (ends[1] - ends[0]) for other in taken)
            if limit.month == last_month and ends[0] <= height <= ends[1] and not near:
                rows.append({"month": last_month, "limit": height, "name": name})
                taken.append(height)
    if not rows:
        return []
    words = alt.Chart(charts.values(rows)).mark_text(align="left", dx=9, fontSize=SIZE - 2, color=GREY)
    return [words.encode(x, alt.Y("limit:Q", scale=scale, axis=axis), text="name:N")]


def mark_layers(marks: Sequence[Placed], x: alt.X, column: str, months: Sequence[str], width: float) -> list[alt.Chart]:
    """A rule at each mark: the months stand evenly, each dot in the middle of its month. Names stand over the chart.

    column, months: what stands for the months in the data. Marks of one month share a name; one that would run into the
    one before stands a line higher.
    """
    step = width / len(months)
    layers, line, free = [], 0, -inf
    for place, found in groupby(marks, key=lambda mark: mark.place):
        of_month = list(found)
        for mark in of_month:
            rule = alt.Chart(charts.values([{column: months[place]}]))
            dash = [2, 3] if mark.dashed else [1, 0]
            layers.append(
                rule.mark_rule(color=INK, strokeWidth=1, strokeDash=dash, xOffset=round(mark.within * step, 1)).encode(
                    x
                )
            )
        name = together([mark.name for mark in of_month])
        offset, at = round(of_month[0].within * step, 1), (place + 0.5 + of_month[0].within) * step
        line = line + 1 if at < free else 0
        free = at + _LETTER * len(name) + _LETTER
        named = alt.Chart(charts.values([{column: months[place], "name": name}]))
        layers.append(
            named.mark_text(align="left", dx=offset, fontSize=SIZE - 2, color=INK).encode(
                x, alt.YValue(-9 - _LINE * line), text="name:N"
            )
        )
    return layers


def together(names: Sequence[str]) -> str:
    """Several names in one: "change 2, 3"."""
    first = names[0].split(" ")[0]
    return ", ".join([names[0], *(name.removeprefix(f"{first} ") for name in names[1:])])


def _within(point: Point, bottom: float, top: float) -> dict[str, object]:
    low = None if point.low is None else max(point.low, bottom)
    # An interval that has a lower end only goes on beyond the axis.
    high = None if low is None else min(top if point.high is None else point.high, top)
    return {"month": point.month, "value": point.value, "low": low, "high": high}
