"""Marks placed in pixels, from the top left corner, and painted as one SVG: what lanes of one chart are made of."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any, TypeVar

import altair as alt
from markupsafe import Markup

from reports import charts

_DASH = [2, 3]


@dataclass(frozen=True)
class Bar:
    """A filled rectangle; no stroke when it is empty."""

    x: float
    x2: float
    y: float
    y2: float
    fill: str
    stroke: str = ""


@dataclass(frozen=True)
class Rule:
    """A straight line."""

    x: float
    x2: float
    y: float
    y2: float
    color: str = charts.HAIRLINE
    width: float = 0.7
    dashed: bool = False


@dataclass(frozen=True)
class Dot:
    """A symbol: circle, square, triangle-up, triangle-down, diamond or cross; size in square pixels."""

    x: float
    y: float
    shape: str
    fill: str
    size: float = 22
    stroke: str = charts.INK


@dataclass(frozen=True)
class Words:
    """A short text; align says which side of it lies at x, and its middle lies at y."""

    x: float
    y: float
    text: str
    align: str = "left"
    size: float = 10.5
    color: str = charts.INK
    weight: str = "normal"


Mark = Bar | Rule | Dot | Words
_Mark = TypeVar("_Mark", Bar, Rule, Dot, Words)


@dataclass
class Drawing:
    """Marks as they are painted: shades and grid behind everything, then bars, rules, symbols and words."""

    width: float
    shades: list[Bar] = field(default_factory=list)
    grid: list[Rule] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    rules: list[Rule] = field(default_factory=list)
    dots: list[Dot] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)

    def add(self, *marks: Mark) -> None:
        lists: dict[type, list[Any]] = {Bar: self.bars, Rule: self.rules, Dot: self.dots, Words: self.words}
        for mark in marks:
            lists[type(mark)].append(mark)

    def painted(self, height: float, label: str) -> Markup:
        """The drawing as SVG with its text alternative."""
        layers = [
            *self._bars(self.shades, height),
            *self._rules(self.grid, height),
            *self._bars(self.bars, height),
            *self._rules(self.rules, height),
            *self._dots(height),
            *self._words(height),
        ]
        return charts.svg(alt.layer(*layers).properties(width=self.width, height=height, padding=2), label)

    def _bars(self, bars: Sequence[Bar], height: float) -> Iterable[alt.Chart]:
        for is_framed, marks in _grouped(bars, lambda mark: mark.stroke != ""):
            base = _chart(marks).mark_bar(strokeWidth=0.7) if is_framed else _chart(marks).mark_bar(strokeWidth=0)
            stroke = {"stroke": alt.Stroke("stroke:N", scale=None)} if is_framed else {}
            yield base.encode(
                *self._place(height), alt.X2("x2"), alt.Y2("y2"), fill=alt.Fill("fill:N", scale=None), **stroke
            )

    def _rules(self, rules: Sequence[Rule], height: float) -> Iterable[alt.Chart]:
        for (width, is_dashed), marks in _grouped(rules, lambda mark: (mark.width, mark.dashed)):
            base = _chart(marks).mark_rule(strokeWidth=width, strokeDash=_DASH if is_dashed else [1, 0])
            yield base.encode(*self._place(height), alt.X2("x2"), alt.Y2("y2"), color=alt.Color("color:N", scale=None))

    def _dots(self, height: float) -> Iterable[alt.Chart]:
        if self.dots:
            yield (
                _chart(self.dots)
                .mark_point(opacity=1, strokeWidth=1)
                .encode(
                    *self._place(height),
                    shape=alt.Shape("shape:N", scale=None),
                    fill=alt.Fill("fill:N", scale=None),
                    stroke=alt.Stroke("stroke:N", scale=None),
                    size=alt.Size("size:Q", scale=None),
                )
            )

    def _words(self, height: float) -> Iterable[alt.Chart]:
        for (align, size, weight), marks in _grouped(self.words, lambda mark: (mark.align, mark.size, mark.weight)):
            base = _chart(marks).mark_text(align=align, baseline="middle", fontSize=size, fontWeight=weight)
            yield base.encode(*self._place(height), text=alt.Text("text:N"), color=alt.Color("color:N", scale=None))

    def _place(self, height: float) -> tuple[alt.X, alt.Y]:
        return (
            alt.X("x:Q", scale=alt.Scale(domain=[0, self.width], nice=False), axis=None),
            alt.Y("y:Q", scale=alt.Scale(domain=[height, 0], nice=False), axis=None),
        )


def fitted(text: str, width: float, size: float = 10.5) -> str:
    """The text, cut with an ellipsis where it would be wider than this many pixels; letters taken as 0.55 em wide."""
    most = max(int(width / (0.55 * size)), 1)
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _grouped(marks: Sequence[_Mark], key: Callable[[_Mark], Any]) -> Iterable[tuple[Any, list[_Mark]]]:
    """Marks that are painted alike, in the order of their key; within it in their own."""
    for value, group in groupby(sorted(marks, key=key), key=key):
        yield value, list(group)


def _chart(marks: Sequence[Mark]) -> alt.Chart:
    return alt.Chart(alt.InlineData(values=[vars(mark) for mark in marks]))
