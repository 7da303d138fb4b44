"""Below, within and above the band on oxygen by month, for CO2 retainers and for everybody else."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl
from markupsafe import Markup

from pipeline.declared_changes import NONE_DECLARED, DeclaredChanges
from reports import charts, signals, wording
from reports.figures import GroupFigures, Share, State, group_figures
from reports.trend_chart import ends_of, trend

QUESTIONS = (
    ("below", "Below the band"),
    ("within", "Within the band"),
    ("above_on_oxygen", "Above the band, on oxygen"),
)
GROUPS = ("retainer", "other")


@dataclass(frozen=True)
class Chart:
    """One chart with its answer, its signals and limits in words; `svg` is empty when there is nothing to draw."""

    group: str
    answer: str
    notes: tuple[str, ...]
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


def questions(
    summary: pl.DataFrame, changes: pl.DataFrame, month: str, small: float, declared: DeclaredChanges = NONE_DECLARED
) -> list[Question]:
    """The three questions over the months that end with this one (see `signals.months_drawn`), hospital-wide."""
    months = signals.months_drawn(summary, month)
    figures = {
        group: [group_figures(summary, changes, each, None, group, small) for each in months] for group in GROUPS
    }
    return [_question(share, title, figures, declared) for share, title in QUESTIONS]


def _question(share: str, title: str, figures: dict[str, list[GroupFigures]], declared: DeclaredChanges) -> Question:
    lines = {group: [_point(each.month, getattr(each, share)) for each in months] for group, months in figures.items()}
    told = {group: _told(share, months, declared) for group, months in figures.items()}
    ends = ends_of(
        [point for points in lines.values() for point in points],
        [limits for each in told.values() for limits in each.limits],
        large=share == "within",
    )
    return Question(
        title,
        tuple(_chart(title, group, lines[group], told[group], ends, declared) for group in GROUPS),
        tuple(_month_row(share, each) for each in zip(*(figures[group] for group in GROUPS), strict=True)),
    )


def _told(share: str, months: list[GroupFigures], declared: DeclaredChanges) -> signals.Told:
    values = [getattr(each, share).value for each in months]
    series = signals.series_of_time([each.month for each in months], values)
    return signals.tell(series, wording.percent, declared, scale=100, highest=1.0)


def _point(month: str, share: Share) -> charts.Point:
    ends = (share.value, share.low, share.high)
    return charts.Point(month, *(None if end is None else 100 * end for end in ends))


def _chart(
    title: str,
    group: str,
    points: Sequence[charts.Point],
    told: signals.Told,
    ends: tuple[float, float],
    declared: DeclaredChanges,
) -> Chart:
    name = wording.GROUP_IN_WORDS[group]
    if all(point.value is None for point in points):
        return Chart(name, told.answer, told.notes, Markup())
    last = _percent(points[-1].value)
    label = (
        f"{title}, {name}, by month, in % of observed time with 95 % intervals. {told.answer}. {' '.join(told.notes)}"
    )
    drawn = trend(points, last, label, "% of observed time", ends, told.limits, signals.marks(declared))
    return Chart(name, told.answer, told.notes, drawn)


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
