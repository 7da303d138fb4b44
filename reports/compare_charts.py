"""The charts of a comparison: the sides beside each other, and the differences of all shares about nothing."""

import textwrap
from collections.abc import Sequence

import altair as alt
from markupsafe import Markup

from reports import charts
from reports.charts import ACCENT, GREY, INK, SIZE, Interval
from reports.figures import Share

_LINE = 40
_LINES = 2
# In percentage points: an axis that ends closer in would make every difference look large.
_LEAST_REACH = 10.0


def beside_each_other(names: Sequence[str], shares: Sequence[Share], within: bool, label: str) -> Markup:
    """A dot and an interval for each side, in % of observed time; empty when there is nothing to draw."""
    rows = [
        Interval(name, *(100 * (share.value if end is None else end) for end in (share.value, share.low, share.high)))
        for name, share in zip(names, shares, strict=True)
        if share.value is not None
    ]
    if not rows:
        return Markup()
    ends = (0.0, charts.round_up(max(row.high for row in rows)))
    if within:
        ends = (charts.bottom_of(row.low for row in rows), 100.0)
    return charts.intervals(rows, None, label, "% of observed time", *ends)


def differences(rows: Sequence[Interval], label: str) -> Markup:
    """A dot and an interval for the difference of each share, in percentage points, about a rule at no difference.

    The axis reaches as far as half as much again as the largest difference; longer intervals end at its edge.
    """
    if not rows:
        return Markup()
    reach = charts.round_up(max(_LEAST_REACH, 1.5 * max(abs(row.value) for row in rows)))
    data = [
        {"row": str(place), "value": row.value, "low": max(row.low, -reach), "high": min(row.high, reach)}
        for place, row in enumerate(rows)
    ]
    x = alt.X(
        "value:Q",
        scale=alt.Scale(domain=[-reach, reach]),
        axis=alt.Axis(
            title="difference in percentage points", tickCount=6, domain=False, ticks=False, labelExpr=_SIGNED
        ),
    )
    y = alt.Y("row:N", sort=[str(place) for place in range(len(rows))], axis=_LINES_ONLY)
    base = alt.Chart(charts.values(data))
    nothing = alt.Chart(charts.values([{"value": 0}])).mark_rule(color=GREY, strokeDash=[3, 3]).encode(x)
    reaches = base.mark_rule(color=ACCENT, strokeWidth=1.6).encode(y, alt.X("low:Q"), alt.X2("high"))
    dots = base.mark_point(filled=True, size=44, color=ACCENT, opacity=1).encode(y, x)
    chart = alt.layer(nothing, reaches, dots, *_names(rows, y)).properties(width=330, height=alt.Step(30))
    return charts.svg(chart, label)


_SIGNED = "datum.value > 0 ? '+' + datum.label : datum.label"
_LINES_ONLY = alt.Axis(title=None, ticks=False, domain=False, labels=False, grid=True)


def _names(rows: Sequence[Interval], y: alt.Y) -> list[alt.Chart]:
    """The names beside the rows, over one line or two, each about the middle of its row."""
    wrapped = [textwrap.wrap(row.name, _LINE, max_lines=_LINES, placeholder=" …") for row in rows]
    layers = []
    for count in sorted({len(lines) for lines in wrapped}):
        named = [
            {"row": str(place), "name": "\n".join(lines)} for place, lines in enumerate(wrapped) if len(lines) == count
        ]
        text = alt.Chart(charts.values(named)).mark_text(
            align="right", baseline="middle", dx=-8, dy=-7 * (count - 1), lineBreak="\n", fontSize=SIZE, color=INK
        )
        layers.append(text.encode(y, x=alt.value(0), text="name:N"))
    return layers
