"""What was changed, and the figures before and after: in words, with intervals, and never as what brought it about."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isnan

import duckdb
import polars as pl

from pipeline.before_after import MONTHS_NEEDED, Estimate, enough_months
from pipeline.catalogue import read_measures
from pipeline.change_effects import Effect, effect
from pipeline.declared_changes import DeclaredChange, DeclaredChanges
from pipeline.measure_file import Measure
from reports import sentences, wording
from reports.figures import State, group_figures

# The measures of the three shares: their rows, patient by patient, are what a difference is made of.
SHARES = ("share_below", "share_within", "share_above_on_oxygen")


@dataclass(frozen=True)
class ChangeCell:
    """One figure before and after; `why` says why there is none (empty: there is)."""

    before: str
    after: str
    change: str
    why: str


@dataclass(frozen=True)
class ChangeRow:
    """One change for one group of patients: cells for below, within and above on oxygen."""

    group: str
    cells: tuple[ChangeCell, ...]


@dataclass(frozen=True)
class ChangeMade:
    """One declared change: its number on the charts, when, where and what; its rows; its interrupted time series."""

    number: int
    when: str
    where: str
    what: str
    rows: tuple[ChangeRow, ...]
    series: str


def up_to(declared: DeclaredChanges, month: str) -> DeclaredChanges:
    """The changes made by the end of this month: a report says nothing of what came later."""
    return replace(declared, changes=tuple(change for change in declared.changes if change.month <= month))


def changes_made(
    con: duckdb.DuckDBPyConnection, summary: pl.DataFrame, month: str, small: float, declared: DeclaredChanges
) -> list[ChangeMade]:
    """Each declared change with the three shares before and after it. summary: small counts suppressed."""
    measures = {measure.id: measure for measure in read_measures() if measure.id in SHARES}
    made = []
    for number, change in enumerate(declared.changes, start=1):
        groups = ("retainer", "other") if change.ward is None else (None,)
        effects = {
            group: [
                effect(
                    con,
                    measures[share],
                    change,
                    declared.of(change.ward),
                    _shown(summary, share, month, change.ward, group, small),
                    change.ward,
                    group,
                )
                for share in SHARES
            ]
            for group in groups
        }
        rows = tuple(
            ChangeRow(wording.GROUP_IN_WORDS[group], tuple(_cell(found) for found in effects[group]))
            for group in groups
        )
        where = "whole hospital" if change.ward is None else change.ward
        series = " ".join(_series_in_words(wording.GROUP_IN_WORDS[group], found) for group, found in effects.items())
        made.append(ChangeMade(number, _day(change), where, change.what, rows, series))
    return made


def _shown(
    summary: pl.DataFrame, share: str, month: str, ward: str | None, group: str | None, small: float
) -> dict[str, float]:
    months = [each for each in summary["month"].unique().sort() if each <= month]
    name = share.removeprefix("share_")
    found = {each: group_figures(summary, summary.clear(), each, ward, group, small) for each in months}
    return {
        each: getattr(figures, name).value
        for each, figures in found.items()
        if figures.state is State.SHOWN and getattr(figures, name).value is not None
    }


def _day(change: DeclaredChange) -> str:
    return f"{change.date.day} {wording.month_in_words(change.month)}"


def _cell(found: Effect) -> ChangeCell:
    difference = found.difference
    if difference is None or isnan(difference.change):
        return ChangeCell("", "", "", _why_not(found))
    return ChangeCell(
        wording.percent(difference.before),
        wording.percent(difference.after),
        _change_of_share(difference.change, difference.low, difference.high),
        "",
    )


def _why_not(found: Effect) -> str:
    if not found.before:
        return "no whole month with a figure before it"
    return "no whole month with a figure after it yet" if not found.after else "cannot be told"


def _change_of_share(change: float, low: float, high: float) -> str:
    if isnan(low):
        return f"{wording.points(change)} points, no interval"
    return sentences.change_in_words(change, low, high).replace(" (", " points (", 1)


def _series_in_words(group: str, found: Sequence[Effect]) -> str:
    below, _, above = found
    if not all(enough_months(len(each.before), len(each.after)) for each in (below, above)):
        return (
            f"{wording.sentence_case(group)}: an interrupted time series needs {MONTHS_NEEDED} whole months on either "
            f"side; there are {len(below.before)} before and {len(below.after)} after."
        )
    told = [
        f"{name}, a step of {_points(each.interrupted.level)} and a slope changed by {_points(each.interrupted.slope)} "
        "a month"
        for name, each in (("below", below), ("above on oxygen", above))
        if each.interrupted is not None
    ]
    alike = "; ".join(told) or "every month has the same figure"
    return f"{wording.sentence_case(group)}, interrupted time series: {alike}."


def _points(estimate: Estimate) -> str:
    ends = f"{wording.points_end(estimate.low)} to {wording.points_end(estimate.high)}"
    return f"{wording.points(estimate.value)} points ({ends})"


def of_measure(
    con: duckdb.DuckDBPyConnection,
    measure: Measure,
    shown: dict[str, float],
    declared: DeclaredChanges,
    written: Callable[[float | None], str],
) -> tuple[str, ...]:
    """A sentence for each change of the whole hospital: the measure before and after it. shown: the months with one."""
    among = declared.of(None)
    return tuple(
        f"Change {number} ({_day(change)}): {_of_measure(measure, effect(con, measure, change, among, shown), written)}"
        for number, change in enumerate(declared.changes, start=1)
        if change.ward is None
    )


def _of_measure(measure: Measure, found: Effect, written: Callable[[float | None], str]) -> str:
    difference = found.difference
    if difference is None or isnan(difference.before) or isnan(difference.after):
        return f"{_why_not(found)}."
    if measure.unit == "%":
        change = _change_of_share(difference.change, difference.low, difference.high)
    else:
        change = _plain_change(difference.change, difference.low, difference.high)
    months = f"{wording.counted(len(found.before), 'month')}, {written(difference.after)} after in {len(found.after)}"
    return f"{written(difference.before)} before in {months}: {change}."


def _plain_change(change: float, low: float, high: float) -> str:
    def signed(value: float) -> str:
        text = wording.number(value, 0 if abs(change) >= 100 else 1)
        return text if value < 0 else f"+{text}"

    if isnan(low):
        return f"{signed(change)}, no interval"
    unclear = "" if low > 0 or high < 0 else ", no clear change"
    return f"{signed(change)} ({signed(low)} to {signed(high)}){unclear}"
