"""The charts of a presentation as inline SVG, larger than those of the monthly report and in the same hand."""

from collections.abc import Sequence

import altair as alt
from markupsafe import Markup

from reports.charts import ACCENT, GREY, INK, PAGE, SHADES, SIZE, lookup_expression, names_axis, svg
from reports.present_sheets import COLUMNS, SHARES, TREND, Chart
from reports.trend_chart import mark_layers

# Widths by the number of charts side by side on a page.
_WIDTHS = {1: 440, 2: 170, 3: 285}
# A part of a bar with less than this, in per cent, has no room for its figure.
NARROW = 6.0
PARTS = ("below", "within", "above")
SERIES_SHADES = (SHADES["within"], SHADES["above"], SHADES["below"])


def draw(chart: Chart, beside: int) -> Markup:
    """The chart as SVG, or nothing when there is no figure. beside: how many stand side by side."""
    if not chart.known:
        return Markup()
    width = _WIDTHS.get(beside, 285)
    made = {TREND: _trend, COLUMNS: _columns, SHARES: _shares}.get(chart.kind, _rows)(chart, width)
    return svg(made, chart.text)


def _rows_of(chart: Chart, series: int = 0) -> list[dict[str, object]]:
    """One row per name with a figure; the interval no longer than the axis."""
    one, (bottom, top) = chart.series[series], chart.ends
    return [
        {
            "row": str(place),
            "value": value,
            "low": None if low is None else max(low, bottom),
            "high": None if high is None else min(high, top),
        }
        for place, value, low, high in zip(
            range(len(one.values)),
            one.values,
            _or_none(one.lows, one.values),
            _or_none(one.highs, one.values),
            strict=True,
        )
    ]


def _or_none(ends: Sequence[float | None], values: Sequence[float | None]) -> Sequence[float | None]:
    return ends or [None] * len(values)


def _data(rows: Sequence[dict[str, object]]) -> alt.InlineData:
    return alt.InlineData(values=list(rows))


def _month_labels(chart: Chart) -> str:
    """Months by place, as an expression, in two lines, the year only where it begins."""
    words: dict[str, str | list[str]] = {}
    for place, text in enumerate(chart.names):
        short, _, year = text.partition(" ")
        words[str(place)] = [short, f"20{year}"] if place == 0 or short == "Jan" else short
    return lookup_expression(words)


def _places(chart: Chart) -> list[str]:
    return [str(place) for place in range(len(chart.names))]


def _months_x(chart: Chart) -> alt.X:
    axis = alt.Axis(
        title=None,
        grid=False,
        labelAngle=0,
        labelExpr=_month_labels(chart),
        labelOverlap=False,
        labelFontSize=10,
    )
    return alt.X("row:O", scale=alt.Scale(domain=_places(chart)), axis=axis)


def _value_axis(chart: Chart) -> alt.Axis:
    return alt.Axis(title=chart.unit, tickCount=4, domain=False, ticks=False)


def _trend(chart: Chart, width: int) -> alt.LayerChart | alt.FacetChart:
    x, scale = _months_x(chart), alt.Scale(domain=list(chart.ends))
    y, low = (alt.Y(f"{end}:Q", scale=scale, axis=_value_axis(chart)) for end in ("value", "low"))
    rows = _rows_of(chart)
    base = alt.Chart(_data(rows))
    known = base.transform_filter("isValid(datum.value)")
    layers = [
        known.mark_rule(strokeWidth=1.4, opacity=0.7, color=ACCENT).encode(x, low, alt.Y2("high")),
        base.mark_line(strokeWidth=1.8, color=ACCENT).encode(x, y),
        known.mark_point(filled=True, size=34, opacity=1, color=ACCENT).encode(x, y),
        *mark_layers(chart.marks, x, "row", _places(chart), width),
    ]
    return alt.layer(*layers).properties(width=width, height=205)


def _columns(chart: Chart, width: int) -> alt.LayerChart | alt.FacetChart:
    """Columns behind each other: the parts are parts of the first series."""
    scale = alt.Scale(domain=list(chart.ends))
    layers: list[alt.Chart] = []
    for place, series in enumerate(chart.series):
        data = _data([row | {"series": series.name} for row in _rows_of(chart, place) if row["value"] is not None])
        offset = alt.XOffset("series:N", scale=alt.Scale(domain=[each.name for each in chart.series]))
        x, y = _months_x(chart), alt.Y("value:Q", scale=scale, axis=_value_axis(chart))
        layers.append(
            alt.Chart(data).mark_bar(fill=SERIES_SHADES[place], stroke=INK, strokeWidth=0.6).encode(x, y, offset)
        )
    layers += mark_layers(chart.marks, _months_x(chart), "row", _places(chart), width + 60)
    return alt.layer(*layers).properties(width=width + 60, height=300)


def _shares(chart: Chart, width: int) -> alt.LayerChart | alt.FacetChart:
    rows: list[dict[str, object]] = []
    for place in range(len(chart.names)):
        reached = 0.0
        for series, part in zip(chart.series, PARTS, strict=True):
            share = series.values[place] or 0.0
            ends = {"row": str(place), "from": reached, "to": reached + share}
            rows.append(
                ends | {"shade": SHADES[part], "text": f"{share:g} %", "dark": part == "below", "wide": share >= NARROW}
            )
            reached += share
    x = alt.X("from:Q", scale=alt.Scale(domain=[0, 100]), axis=_value_axis(chart))
    y = alt.Y("row:N", scale=alt.Scale(domain=_places(chart)), axis=_names(chart, width))
    bars = (
        alt.Chart(_data(rows))
        .mark_bar(stroke=INK, strokeWidth=0.6)
        .encode(x, alt.X2("to"), y, alt.Color("shade:N", scale=None))
    )
    middle = alt.X("mid:Q", axis=None)
    words = alt.Chart(_data([row for row in rows if row["wide"]])).transform_calculate(
        mid="(datum.from + datum.to) / 2"
    )
    light = words.transform_filter("datum.dark").mark_text(color=PAGE, fontSize=SIZE).encode(middle, y, text="text:N")
    dark = words.transform_filter("!datum.dark").mark_text(color=INK, fontSize=SIZE).encode(middle, y, text="text:N")
    return alt.layer(bars, light, dark).properties(width=1020, height=alt.Step(56))


def _names(chart: Chart, wide: int) -> alt.Axis:
    names = {str(place): name for place, name in enumerate(chart.names)}
    return names_axis(names) if wide < 400 else names_axis(names, 360)


def _rows(chart: Chart, width: int) -> alt.LayerChart | alt.FacetChart:
    x = alt.X("value:Q", scale=alt.Scale(domain=list(chart.ends)), axis=_value_axis(chart))
    y = alt.Y("row:N", scale=alt.Scale(domain=_places(chart)), axis=_names(chart, width))
    base = alt.Chart(_data(_rows_of(chart)))
    layers: list[alt.Chart] = []
    if chart.reference is not None:
        rule = alt.Chart(_data([{"value": chart.reference}]))
        layers.append(rule.mark_rule(color=GREY, strokeDash=[3, 3]).encode(x))
    layers.append(base.mark_rule(color=ACCENT, strokeWidth=1.6).encode(y, alt.X("low:Q"), alt.X2("high")))
    layers.append(base.mark_point(filled=True, size=48, color=ACCENT, opacity=1).encode(y, x))
    return alt.layer(*layers).properties(width=width if width < 400 else 250, height=alt.Step(36))
