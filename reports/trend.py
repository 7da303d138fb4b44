"""Twelve months of below, within and above the band on oxygen, for CO2 retainers and for everybody else."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from markupsafe import Markup

from reports import charts, sentences, wording
from reports.figures import GroupFigures, Share, State, group_figures

QUESTIONS = (
    ("below", "Below the band"),
    ("within", "Within the band"),
    ("above_on_oxygen", "Above the band, on oxygen"),
)
GROUPS = ("retainer", "other")


@dataclass(frozen=True)
class Chart:
    """One chart with its answer; `svg` is empty when there is nothing to draw."""

    group: str
    answer: str
    svg: Markup


@dataclass(frozen=True)
class MonthRow:
    """One month of the table under the charts: figure and interval of each group, or why there is none."""

    month: str
    figures: tuple[str, ...]
    intervals: tuple[str, ...]


@dataclass(frozen=True)
class Question:
    """One question: a chart for each group on the same axis, and the figures of both."""

    title: str
    charts: tuple[Chart, ...]
    rows: tuple[MonthRow, ...]


def questions(summary: pl.DataFrame, changes: pl.DataFrame, month: str, small: float) -> list[Question]:
    """The three questions over the twelve calendar months that end with this one, hospital-wide."""
    months = wording.months_up_to(month)
    figures = {
        group: [group_figures(summary, changes, each, None, group, small) for each in months] for group in GROUPS
    }
    return [_question(share, title, figures, month) for share, title in QUESTIONS]


def _question(share: str, title: str, figures: dict[str, list[GroupFigures]], month: str) -> Question:
    lines = {group: [_point(each.month, getattr(each, share)) for each in months] for group, months in figures.items()}
    ends = (0.0, charts.top_of(point for points in lines.values() for point in points))
    if share == "within":
        ends = (charts.bottom_of(point.low for points in lines.values() for point in points), 100.0)
    return Question(
        title,
        tuple(_chart(share, title, group, lines[group], month, ends) for group in GROUPS),
        tuple(_month_row(share, each) for each in zip(*(figures[group] for group in GROUPS), strict=True)),
    )


def _point(month: str, share: Share) -> charts.Point:
    ends = (share.value, share.low, share.high)
    return charts.Point(month, *(None if end is None else 100 * end for end in ends))


def _chart(
    share: str, title: str, group: str, points: Sequence[charts.Point], month: str, ends: tuple[float, float]
) -> Chart:
    name = wording.GROUP_IN_WORDS[group]
    answer = sentences.trend_title(
        [(point.month, point.value) for point in points],
        _percent,
        month,
    )
    if all(point.value is None for point in points):
        return Chart(name, answer, Markup())
    last = _percent(points[-1].value)
    label = f"{title}, {name}, by month, in % of observed time with 95 % intervals. {answer}."
    return Chart(name, answer, charts.trend(points, last, label, "% of observed time", ends))


def _percent(value: float | None) -> str:
    return wording.percent(None if value is None else value / 100)


def _month_row(share: str, groups: Sequence[GroupFigures]) -> MonthRow:
    shares = [getattr(figures, share) for figures in groups]
    return MonthRow(
        wording.month_in_words(groups[0].month),
        tuple(
            wording.percent(one.value) if figures.state is State.SHOWN else f"{wording.NOTHING} {_why(figures)}"
            for one, figures in zip(shares, groups, strict=True)
        ),
        tuple(wording.percent_interval(one.low, one.high, one.value) for one in shares),
    )


def _why(figures: GroupFigures) -> str:
    return {State.TOO_FEW: "too few patients", State.NOBODY: "no patients", State.UNOBSERVED: "nothing observed"}[
        figures.state
    ]
