"""Charts as inline SVG: one question each, readable in grey, the same bytes each time.

The answer of a chart stands in the page above it and a table of the same figures below it; here are only the marks.
Below, within and above the band are told apart by place, by shade and by name, never by hue.
"""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import altair as alt
import vl_convert
from markupsafe import Markup

from reports import wording

INK = "#2b2233"
ACCENT = "#5b3a6b"
GREY = "#6a666d"
HAIRLINE = "#dcd8d4"
SHADES = {"below": "#33243f", "within": "#e6e1ea", "above": "#9d88aa", "rest": "#ffffff"}
FONT = "sans-serif"
SIZE = 12

_CONFIG: dict[str, Any] = {
    "aria": False,
    "background": None,
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelColor": GREY,
        "labelFontSize": SIZE - 1,
        "titleColor": GREY,
        "titleFontSize": SIZE - 1,
        "titleFontWeight": "normal",
        "domainColor": GREY,
        "tickColor": GREY,
        "gridColor": HAIRLINE,
    },
}


@dataclass(frozen=True)
class Point:
    """One month of a line: value with its interval, all in the unit of the axis; null where there is no figure."""

    month: str
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Line:
    """One line of a trend: its name (empty: not labelled) and a point for every month."""

    name: str
    points: tuple[Point, ...]
    dashed: bool = False


@dataclass(frozen=True)
class Interval:
    """One named row of a dot-and-interval chart, in the unit of the axis."""

    name: str
    value: float
    low: float
    high: float


def strip(parts: Mapping[str, float], label: str, name: str) -> Markup:
    """One bar cut into below, within and above on oxygen (`parts`: fractions of observed time, in that order).

    What is left of the whole stays empty: above the band on air, or with the device unknown.
    """
    ends: list[dict[str, object]] = []
    reached = 0.0
    for part, share in parts.items():
        ends.append({"part": part, "from": reached, "to": reached + share, "shade": SHADES[part]})
        reached += share
    bars = (
        alt.Chart(_values(ends))
        .mark_bar(stroke=INK, strokeWidth=0.6, height=11)
        .encode(
            x=alt.X("from:Q", scale=alt.Scale(domain=[0, 1]), axis=None),
            x2="to:Q",
            color=alt.Color("shade:N", scale=None),
        )
    )
    frame = (
        alt.Chart(_values([{"from": 0, "to": 1}]))
        .mark_bar(fill="#ffffff", stroke=GREY, strokeWidth=0.6, height=11)
        .encode(x=alt.X("from:Q", axis=None), x2="to:Q")
    )
    return _svg((frame + bars).properties(width=220, height=12, padding=1), label, name)


def trend(
    lines: Sequence[Line],
    label: str,
    name: str,
    axis_title: str,
    top: float | None = None,
    changes: Sequence[str] = (),
    width: int = 430,
    height: int = 120,
) -> Markup:
    """Months from left to right, a dot and a 95 % interval each; `changes`: months in which the meaning changed.

    The axis begins at 0 and ends at `top`, or above the highest value. The last figure of a named line bears its name.
    """
    months = [point.month for point in lines[0].points]
    top = top or top_of(lines)
    rows = [
        {"line": index, "dashed": line.dashed, **_within(point, top)}
        for index, line in enumerate(lines)
        for point in line.points
    ]
    months_axis = alt.Axis(title=None, grid=False, labelAngle=0, labelExpr=_month_label_expression(months))
    x = alt.X("month:O", scale=alt.Scale(domain=months), axis=months_axis)
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(domain=[0, top]),
        axis=alt.Axis(title=axis_title, tickCount=4, domain=False, ticks=False),
    )
    base = alt.Chart(_values(rows)).encode(x=x)
    shade = alt.condition("datum.dashed", alt.value(GREY), alt.value(ACCENT))
    known = base.transform_filter("isValid(datum.value)")
    layers = [
        known.mark_rule(strokeWidth=1.4, opacity=0.55).encode(
            y=alt.Y("low:Q"), y2="high:Q", color=shade
        ),
        base.mark_line(strokeWidth=1.6).encode(
            y=y,
            detail="line:N",
            color=shade,
            strokeDash=alt.condition("datum.dashed", alt.value([4, 3]), alt.value([1, 0])),
        ),
        known.mark_point(filled=True, size=30, opacity=1).encode(y=y, color=shade),
    ]
    marked = [month for month in changes if month in months]
    if marked:
        rules = alt.Chart(_values([{"month": month} for month in marked]))
        layers.append(rules.mark_rule(color=INK, strokeDash=[2, 3]).encode(x=x))
        layers.append(
            rules.mark_text(text="meaning changed", align="left", dx=4, fontSize=SIZE - 2, color=INK).encode(
                x=x, y=alt.value(4)
            )
        )
    labels = _end_labels(lines, top, height)
    if labels:
        layers.append(
            alt.Chart(_values(labels))
            .mark_text(align="left", dx=9, fontSize=SIZE, color=INK)
            .encode(x=x, y=alt.Y("place:Q"), text="text:N")
        )
    return _svg(alt.layer(*layers).properties(width=width, height=height), label, name)


def intervals(
    rows: Sequence[Interval], reference: float | None, label: str, name: str, axis_title: str, top: float
) -> Markup:
    """A dot and a 95 % interval for each name, in the order given; a rule at the hospital's figure."""
    order = [str(index) for index in range(len(rows))]
    names = {str(index): row.name for index, row in enumerate(rows)}
    data = _values(
        [
            {"row": str(index), "value": row.value, "low": row.low, "high": min(row.high, top)}
            for index, row in enumerate(rows)
        ]
    )
    x = alt.X(
        "value:Q",
        scale=alt.Scale(domain=[0, top]),
        axis=alt.Axis(title=axis_title, tickCount=4, domain=False, ticks=False),
    )
    y = alt.Y(
        "row:N",
        sort=order,
        axis=alt.Axis(
            title=None,
            ticks=False,
            domain=False,
            labelLimit=120,
            labelColor=INK,
            labelFontSize=SIZE,
            labelExpr=_lookup_expression(names),
        ),
    )
    base = alt.Chart(data).encode(y=y)
    layers: list[alt.Chart] = []
    if reference is not None:
        layers.append(
            alt.Chart(_values([{"value": reference}]))
            .mark_rule(color=GREY, strokeDash=[3, 3])
            .encode(x=x)
        )
    layers.append(base.mark_rule(color=ACCENT, strokeWidth=1.6).encode(x=alt.X("low:Q"), x2="high:Q"))
    layers.append(base.mark_point(filled=True, size=44, color=ACCENT, opacity=1).encode(x=x))
    return _svg(alt.layer(*layers).properties(width=190, height=alt.Step(22)), label, name)


def top_of(lines: Iterable[Line]) -> float:
    """A round end for an axis that shows every value whole, and intervals as far as twice the highest value."""
    values = [point.value for line in lines for point in line.points if point.value is not None]
    highs = [point.high for line in lines for point in line.points if point.high is not None]
    return round_up(min(max(highs, default=1.0), 2 * max(values, default=0.5) or 1.0))


def round_up(value: float) -> float:
    """The next round number: 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8 or 10 times a power of ten.

    >>> [round_up(v) for v in (0.93, 7.2, 11, 24, 61, 100)]
    [1.0, 8.0, 15.0, 25.0, 80.0, 100.0]
    """
    power = 1.0
    while value > 10 * power:
        power *= 10
    while value <= power:
        power /= 10
    return next(round(step * power, 10) for step in (1.5, 2, 2.5, 3, 4, 5, 6, 8, 10) if value <= step * power)


def _within(point: Point, top: float) -> dict[str, object]:
    high = None if point.high is None else min(point.high, top)
    return {"month": point.month, "value": point.value, "low": point.low, "high": high}


def _end_labels(lines: Sequence[Line], top: float, height: int) -> list[dict[str, object]]:
    """The names of the lines beside their last points, moved apart where they would touch."""
    last = [
        (line.points[-1].value, line.points[-1].month, line.name)
        for line in lines
        if line.name and line.points[-1].value is not None
    ]
    labels: list[dict[str, object]] = []
    lowest_free = 0.0
    for value, month, name in sorted(last, key=lambda item: (item[0], item[2])):
        place = max(float(value or 0), lowest_free)
        lowest_free = place + top * (SIZE + 2) / height
        labels.append({"month": month, "place": min(place, top), "text": name})
    return labels


def _month_label_expression(months: Sequence[str]) -> str:
    """Short names of months, with the year under the first and under every January."""
    words = {}
    for index, month in enumerate(months):
        short, year = wording.short_month(month).split(" ")[0], month[:4]
        words[month] = [short, year] if index == 0 or month.endswith("-01") else short
    return _lookup_expression(words)


def _lookup_expression(words: Mapping[str, str | list[str]]) -> str:
    # JSON is valid in the expression language; the words stay data and are escaped on drawing.
    return f"({json.dumps(words)})[datum.value]"


def _values(rows: Sequence[Mapping[str, object]]) -> alt.InlineData:
    return alt.InlineData(values=[dict(row) for row in rows])


def _svg(chart: alt.LayerChart | alt.Chart, label: str, name: str) -> Markup:
    """The chart as SVG with a text alternative; `name` makes its element names the page's only ones."""
    spec = chart.to_dict(validate=False)
    spec["config"] = _CONFIG
    drawn = vl_convert.vegalite_to_svg(spec)
    drawn = _own_names(drawn, name)
    text = escape(label)
    return Markup(
        re.sub(
            r"<svg ([^>]*)>",
            lambda found: f'<svg {found[1]} role="img" aria-label="{text}"><title>{text}</title>',
            drawn,
            count=1,
        )
    )


def _own_names(svg: str, name: str) -> str:
    """Element names counted from 1 in this chart: the converter counts on from chart to chart."""
    known: dict[str, str] = {}
    for found in re.findall(r'\bid="([^"]+)"', svg):
        known.setdefault(found, f"{name}-{len(known) + 1}")
    for old, new in known.items():
        svg = svg.replace(f'id="{old}"', f'id="{new}"').replace(f"url(#{old})", f"url(#{new})")
    return svg
