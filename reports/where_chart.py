"""Below and above the band beside each other for each place, as one picture: below to the left, above to the right."""

from collections.abc import Sequence
from dataclasses import dataclass

import altair as alt
from markupsafe import Markup

from reports import charts
from reports.charts import GREY, INK, SHADES, SIZE

_WIDTH = 190
# Pixels for the words behind a bar.
_ROOM_FOR_WORDS = 84


@dataclass(frozen=True)
class Side:
    """One share with its interval, in per cent (null ends: none), and the words behind its bar."""

    value: float
    low: float | None
    high: float | None
    words: str


@dataclass(frozen=True)
class Bar:
    """One place: what lies below the band there, and what lies above it on oxygen."""

    name: str
    below: Side
    above: Side


def sides(bars: Sequence[Bar], label: str) -> Markup:
    """The places in the order given, each share with its interval as a thin line, on one axis with 0 between them."""
    reach = [charts.round_up(max(_end(side) for side in each) or 1.0) for each in _both(bars)]
    # The words need their room on either side, whatever the bars do.
    per_pixel = sum(reach) / _WIDTH
    domain = [-(reach[0] + _ROOM_FOR_WORDS * per_pixel), reach[1] + _ROOM_FOR_WORDS * per_pixel]
    order = [str(index) for index in range(len(bars))]
    y = alt.Y("row:N", sort=order, axis=charts.names_axis({str(index): bar.name for index, bar in enumerate(bars)}))
    scale = alt.Scale(domain=domain, nice=False)
    axis = alt.Axis(
        title="below the band    |    above it on oxygen, % of observed time",
        values=_ticks(*reach),
        labelExpr="abs(datum.value)",
        domain=False,
        ticks=False,
        grid=False,
    )
    layers = [alt.Chart(charts.values([{"at": 0}])).mark_rule(color=GREY).encode(alt.X("at:Q", scale=scale, axis=axis))]
    for side, sign, shade in zip(_both(bars), (-1, 1), ("below", "above"), strict=True):
        layers += _side(side, sign, SHADES[shade], y, scale, axis)
    drawn = alt.layer(*layers).properties(width=_WIDTH + 2 * _ROOM_FOR_WORDS, height=alt.Step(24))
    return charts.svg(drawn, label)


def _both(bars: Sequence[Bar]) -> tuple[list[Side], list[Side]]:
    return [bar.below for bar in bars], [bar.above for bar in bars]


def _end(side: Side) -> float:
    return side.value if side.high is None else max(side.value, side.high)


def _ticks(below: float, above: float) -> list[float]:
    """Round numbers from one end to the other, 0 among them."""
    step = charts.round_up(max(below, above) / 4)
    return [step * number for number in range(-int(below // step), int(above // step) + 1)]


def _side(places: Sequence[Side], sign: int, shade: str, y: alt.Y, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    rows = [
        {
            "row": str(index),
            "value": sign * place.value,
            "end": sign * _end(place),
            "low": sign * (place.value if place.low is None else place.low),
            "high": sign * _end(place),
            "words": place.words,
        }
        for index, place in enumerate(places)
    ]
    base = alt.Chart(charts.values(rows)).encode(y)

    def x(name: str) -> alt.X:
        return alt.X(f"{name}:Q", scale=scale, axis=axis)

    return [
        base.mark_bar(color=shade, stroke=INK, strokeWidth=0.6, height=13).encode(x("value"), alt.X2(datum=0)),
        base.mark_rule(color=GREY, strokeWidth=1.2).encode(x("low"), alt.X2("high")),
        base.mark_text(
            align="left" if sign > 0 else "right", dx=5 * sign, baseline="middle", fontSize=SIZE - 1, color=INK
        ).encode(x("end"), text="words:N"),
    ]
