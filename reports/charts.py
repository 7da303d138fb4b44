"""Charts as inline SVG: one question each, readable in grey, the same bytes each time.

The answer of a chart stands in the page above it and a table of the same figures below it; here are only the marks.
Below, within and above the band are told apart by place, by shade and by name, never by hue.
"""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from html import escape
from typing import Any

import altair as alt
import vl_convert
from markupsafe import Markup

from reports import wording
from reports.palette import graded, light

PAGE, INK, ACCENT, GREY, HAIRLINE = (light(name) for name in ("page", "ink", "accent", "grey", "line"))
SHADES = {part: light(part) for part in ("below", "within", "above")}
FONT = "sans-serif"
SIZE = 12
NAME_AT_MOST = 120
_BEYOND = re.compile("[\U00010000-\U0010ffff]")
# More months than this have no room for a name each.
_MONTHS_NAMED = 14
# A picture is read by its text alternative: its parts have no roles of their own.
_TAG, _ROLES = re.compile(r"<[a-z][^>]*>"), re.compile(r' (?:role|aria-[a-z]+)="[^"]*"')

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
class Interval:
    """One named row of a dot-and-interval chart, in the unit of the axis."""

    name: str
    value: float
    low: float
    high: float


def strip(parts: Mapping[str, float], label: str) -> Markup:
    """One bar cut into below, within and above on oxygen (`parts`: fractions of observed time, in that order).

    What is left of the whole stays empty: above the band on air, or with the device unknown.
    """
    ends: list[dict[str, object]] = []
    reached = 0.0
    for part, share in parts.items():
        ends.append({"part": part, "from": reached, "to": reached + share, "shade": SHADES[part]})
        reached += share
    bars = (
        alt.Chart(values(ends))
        .mark_bar(stroke=INK, strokeWidth=0.6, height=11)
        .encode(
            alt.X("from:Q", scale=alt.Scale(domain=[0, 1]), axis=None),
            alt.X2("to"),
            alt.Color("shade:N", scale=None),
        )
    )
    frame = (
        alt.Chart(values([{"from": 0, "to": 1}]))
        .mark_bar(fill=PAGE, stroke=GREY, strokeWidth=0.6, height=11)
        .encode(alt.X("from:Q", axis=None), alt.X2("to"))
    )
    return svg((frame + bars).properties(width=220, height=12, padding=1), label)


def intervals(
    rows: Sequence[Interval], reference: float | None, label: str, axis_title: str, bottom: float, top: float
) -> Markup:
    """A dot and a 95 % interval for each name, in the order given; a rule at the hospital's figure."""
    order = [str(index) for index in range(len(rows))]
    names = {str(index): row.name for index, row in enumerate(rows)}
    data = values(
        [
            {"row": str(index), "value": row.value, "low": max(row.low, bottom), "high": min(row.high, top)}
            for index, row in enumerate(rows)
        ]
    )
    x = alt.X(
        "value:Q",
        scale=alt.Scale(domain=[bottom, top]),
        axis=alt.Axis(title=axis_title, tickCount=4, domain=False, ticks=False),
    )
    y = alt.Y("row:N", sort=order, axis=names_axis(names))
    base = alt.Chart(data)
    layers: list[alt.Chart] = []
    if reference is not None:
        layers.append(alt.Chart(values([{"value": reference}])).mark_rule(color=GREY, strokeDash=[3, 3]).encode(x))
    layers.append(base.mark_rule(color=ACCENT, strokeWidth=1.6).encode(y, alt.X("low:Q"), alt.X2("high")))
    layers.append(base.mark_point(filled=True, size=44, color=ACCENT, opacity=1).encode(y, x))
    return svg(alt.layer(*layers).properties(width=190, height=alt.Step(22)), label)


def grid(names: Sequence[str], months: Sequence[str], cells: Sequence[Sequence[float | None]], label: str) -> Markup:
    """A row for each name, a column for each month, every figure (0 to 100) written into its shaded cell.

    A cell without a figure stays empty. The darkest shade stands for the highest figure and still carries dark text.
    """
    top = max((value for row in cells for value in row if value is not None), default=0.0) or 1.0
    data = values(
        [
            {"row": str(index), "month": month, "text": _cell_text(value), "shade": graded(value / top)}
            for index, row in enumerate(cells)
            for month, value in zip(months, row, strict=True)
            if value is not None
        ]
    )
    x = alt.X(
        "month:O",
        scale=alt.Scale(domain=list(months)),
        axis=alt.Axis(title=None, labelAngle=0, ticks=False, domain=False, labelExpr=month_label_expression(months)),
    )
    places = {str(index): name for index, name in enumerate(names)}
    y = alt.Y("row:N", scale=alt.Scale(domain=list(places)), axis=names_axis(places))
    base = alt.Chart(data).encode(x, y)
    shaded = base.mark_rect(stroke=PAGE, strokeWidth=1).encode(alt.Color("shade:N", scale=None))
    written = base.mark_text(color=INK, fontSize=SIZE - 1).encode(text="text:N")
    return svg((shaded + written).properties(width=alt.Step(33), height=alt.Step(20)), label)


def _cell_text(value: float) -> str:
    return f"{value:.0f}" if value >= 0.5 or value == 0 else "<1"


def top_of(points: Iterable[Point]) -> float:
    """A round end for an axis that shows every value whole, and intervals as far as twice the highest value."""
    known = [point for point in points if point.value is not None]
    highest = max((point.value or 0.0 for point in known), default=0.5)
    reach = max((point.high or 0.0 for point in known), default=1.0)
    return round_up(max(highest, min(reach, 2 * highest)) or 1.0)


def bottom_of(lows: Iterable[float | None]) -> float:
    """A round beginning for the axis of a large share: a multiple of 20 % under every interval.

    >>> bottom_of([61.0, None, 87.2]), bottom_of([])
    (60.0, 0.0)
    """
    return 20.0 * (min((low for low in lows if low is not None), default=0.0) // 20)


def round_up(value: float) -> float:
    """The next round number: 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8 or 10 times a power of ten; 1 for an axis of nothing but 0.

    >>> [round_up(v) for v in (0.93, 7.2, 11, 24, 61, 100, 0)]
    [1.0, 8.0, 15.0, 25.0, 80.0, 100.0, 1.0]
    """
    if value <= 0:
        return 1.0
    if value <= 0:
        return 1.0
    power = 1.0
    while value > 10 * power:
        power *= 10
    while value <= power:
        power /= 10
    return next(round(step * power, 10) for step in (1.5, 2, 2.5, 3, 4, 5, 6, 8, 10) if value <= step * power)


def month_label_expression(months: Sequence[str]) -> str:
    """Short names of months, with the year under the first and under every January; of many months, every third."""
    named = [month for month in months if len(months) <= _MONTHS_NAMED or int(month[5:]) % 3 == 1]
    words: dict[str, str | list[str]] = dict.fromkeys(months, "")
    for month in named:
        short, year = wording.short_month(month).split(" ")[0], month[:4]
        words[month] = [short, year] if month == named[0] or month.endswith("-01") else short
    return lookup_expression(words)


def names_axis(names: Mapping[str, str], wide: int = NAME_AT_MOST) -> alt.Axis:
    """The names beside the rows of a chart, by the place that stands for each in the data.

    wide: at so many pixels a name is cut off.
    """
    return alt.Axis(
        title=None,
        ticks=False,
        domain=False,
        labelLimit=wide,
        labelColor=INK,
        labelFontSize=SIZE,
        labelExpr=lookup_expression({place: can_be_cut(name, wide) for place, name in names.items()}),
    )


def can_be_cut(name: str, wide: int) -> str:
    """A name for a label of SIZE that is cut off where it is wider than so many pixels.

    Labels are cut between the units of UTF-16, and half a character (of those beyond U+FFFF, such as an emoji) cannot
    be drawn. So where such a name might not fit in the widest of fonts, a box stands for each of them.
    """
    beyond, latin = len(_BEYOND.findall(name)), sum(each < "\u0180" for each in name)
    fits = beyond + latin == len(name) and (1.1 * latin + 1.5 * beyond) * SIZE <= wide
    return name if fits or not beyond else _BEYOND.sub("\N{WHITE VERTICAL RECTANGLE}", name)


def lookup_expression(words: Mapping[str, str | list[str]]) -> str:
    """The word that stands for each value of an axis, as an expression of the drawing."""
    # JSON is valid in the expression language; the words stay data and are escaped on drawing.
    return f"({json.dumps(words)})[datum.value]"


def values(rows: Sequence[Mapping[str, object]]) -> alt.InlineData:
    """Rows as the data of a chart."""
    return alt.InlineData(values=[dict(row) for row in rows])


@lru_cache(maxsize=500)
def _painted(spec: str) -> str:
    """The SVG of a chart; of the same one, the same again without the work."""
    return vl_convert.vegalite_to_svg(spec)


def svg(chart: alt.TopLevelMixin, label: str) -> Markup:
    """The chart as one picture with a text alternative. No mark is clipped, so no element needs a name."""
    spec = chart.to_dict(validate=False)
    spec["config"] = _CONFIG
    drawn = _TAG.sub(lambda tag: _ROLES.sub("", tag[0]), _painted(json.dumps(spec)))
    text = escape(label)
    return Markup(
        re.sub(
            r"<svg ([^>]*)>",
            lambda found: f'<svg {found[1]} role="img" aria-label="{text}"><title>{text}</title>',
            drawn,
            count=1,
        )
    )
