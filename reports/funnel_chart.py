"""Wards against the hospital: a dot for each by how much it rests on, between limits that widen towards small wards."""

from collections.abc import Sequence
from dataclasses import dataclass

import altair as alt
from markupsafe import Markup

from reports import charts
from reports.charts import ACCENT, GREY, INK, SIZE

# With more wards than this, only those outside the limits are named in the chart; the table names all.
_MOST_NAMES = 12
_LONGEST_NAME = 22
_WIDTH = 400
# Names nearer to each other than this part of the axis would run into each other.
_ROOM_FOR_A_NAME = 0.05


@dataclass(frozen=True)
class Dot:
    """One ward, in the unit of the axes."""

    name: str
    size: float
    value: float
    outside: bool


@dataclass(frozen=True)
class Line:
    """One pair of limits: sizes with lower and upper limit, and its name."""

    name: str
    points: tuple[tuple[float, float, float], ...]


def funnel(
    dots: Sequence[Dot], lines: Sequence[Line], hospital: float, label: str, axis_title: str, size_title: str
) -> Markup:
    """The chart. lines: the inner limits first; drawn dashed, the outer ones dotted."""
    highest = max([*(dot.value for dot in dots), *(top for line in lines for _, _, top in line.points[-1:])])
    lowest = min([*(dot.value for dot in dots), *(bottom for line in lines for _, bottom, _ in line.points[-1:])])
    ends = (20.0 * ((lowest - 1) // 20), 100.0) if hospital > 50 else (0.0, charts.round_up(1.25 * highest or 1.0))
    ends = (max(0.0, ends[0]), ends[1])
    last = max(size for line in lines for size, _, _ in line.points)
    x = alt.X(
        "size:Q",
        scale=alt.Scale(domain=[0, last], nice=False),
        axis=alt.Axis(title=size_title, tickCount=5, grid=False),
    )
    scale = alt.Scale(domain=list(ends), clamp=True)
    y = alt.Y("value:Q", scale=scale, axis=alt.Axis(title=axis_title, tickCount=4, domain=False, ticks=False))
    layers: list[alt.Chart] = []
    taken = [hospital]
    for line, dash in zip(lines, ([5, 3], [1, 3]), strict=True):
        for side in (1, 2):
            rows = [{"size": point[0], "value": point[side]} for point in line.points]
            drawn = alt.Chart(charts.values([row for row in rows if ends[0] <= row["value"] <= ends[1]]))
            layers.append(drawn.mark_line(color=GREY, strokeWidth=1, strokeDash=dash).encode(x, y))
        height = line.points[-1][2]
        if any(abs(height - other) < _ROOM_FOR_A_NAME * (ends[1] - ends[0]) for other in taken):
            continue
        taken.append(height)
        named = alt.Chart(charts.values([{"size": last, "value": height, "name": line.name}]))
        layers.append(named.mark_text(align="left", dx=4, fontSize=SIZE - 3, color=GREY).encode(x, y, text="name:N"))
    rule = alt.Chart(charts.values([{"value": hospital, "size": last, "name": "hospital"}]))
    layers.append(rule.mark_rule(color=GREY, strokeWidth=0.8).encode(y))
    layers.append(rule.mark_text(align="left", dx=4, fontSize=SIZE - 3, color=GREY).encode(x, y, text="name:N"))
    places = alt.Chart(charts.values([{"size": dot.size, "value": dot.value} for dot in dots]))
    layers.append(places.mark_point(filled=True, size=44, opacity=1, color=ACCENT).encode(x, y))
    names = [dot for dot in dots if dot.outside or len(dots) <= _MOST_NAMES]
    words = alt.Chart(
        charts.values([{"size": dot.size, "value": dot.value, "name": _short(dot.name)} for dot in names])
    )
    layers.append(words.mark_text(align="left", dx=6, dy=-6, fontSize=SIZE - 1, color=INK).encode(x, y, text="name:N"))
    return charts.svg(alt.layer(*layers).properties(width=_WIDTH, height=200), label)


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
