"""The wards in alphabetical order, this month: dots with intervals, and the figures. No ranking."""

from dataclasses import dataclass

import polars as pl
from markupsafe import Markup

from reports import charts, sentences, wording
from reports.figures import GroupFigures, State, group_figures
from reports.first_screen import Row, row_of
from reports.trend import QUESTIONS

GROUPS = (None, "retainer", "other")


@dataclass(frozen=True)
class Chart:
    """One question over the wards; `svg` is empty when there is nothing to draw."""

    title: str
    svg: Markup


@dataclass(frozen=True)
class WardRow:
    """One ward of a table; `why` says why it has no figures (empty: it has)."""

    ward: str
    row: Row
    why: str


@dataclass(frozen=True)
class Group:
    """One table: the wards for one group of patients."""

    name: str
    rows: tuple[WardRow, ...]


def by_ward(summary: pl.DataFrame, changes: pl.DataFrame, month: str, small: float) -> tuple[list[Chart], list[Group]]:
    """The charts for all patients, and a table each for all patients, retainers and everybody else."""
    wards = ward_names(summary, month)
    hospital = group_figures(summary, changes, month, None, None, small)
    figures = {
        group: [group_figures(summary, changes, month, ward, group, small) for ward in wards] for group in GROUPS
    }
    drawn = [_chart(share, title, figures[None], hospital) for share, title in QUESTIONS]
    groups = [
        Group(wording.GROUP_IN_WORDS[group], tuple(_row(each, small) for each in figures[group])) for group in GROUPS
    ]
    return (drawn, groups) if len(wards) else ([], [])


def ward_names(summary: pl.DataFrame, month: str) -> list[str]:
    """The wards with any time in the month, in alphabetical order whatever the case."""
    names = summary.filter((pl.col("month") == month) & pl.col("ward").is_not_null())["ward"].unique()
    return sorted(names, key=lambda name: (name.casefold(), name))


def _chart(share: str, title: str, wards: list[GroupFigures], hospital: GroupFigures) -> Chart:
    shares = {str(ward.ward): one for ward in wards if (one := getattr(ward, share)).value is not None}
    # A single patient has a share but no interval: a dot without a bar, which stands apart from nothing.
    rows = [
        charts.Interval(name, *(100 * (one.value if end is None else end) for end in (one.value, one.low, one.high)))
        for name, one in shares.items()
    ]
    whole = getattr(hospital, share).value
    reference = None if whole is None else 100 * whole
    apart = sum(
        whole is not None and one.low is not None and not one.low <= whole <= one.high for one in shares.values()
    )
    answer = sentences.ward_title(title, apart, len(rows))
    if not rows:
        return Chart(answer, Markup())
    ends = (0.0, charts.round_up(max(row.high for row in rows)))
    if share == "within":
        ends = (charts.bottom_of(row.low for row in rows), 100.0)
    label = (
        f"{answer}. A dot and a 95 % interval for each ward in alphabetical order, in % of observed time; "
        "a dashed line at the hospital's figure."
    )
    return Chart(answer, charts.intervals(rows, reference, label, "% of observed time", *ends))


def _row(figures: GroupFigures, small: float) -> WardRow:
    return WardRow(str(figures.ward), row_of(figures), _why(figures, small))


def _why(figures: GroupFigures, small: float) -> str:
    return {
        State.SHOWN: "",
        State.NOBODY: "no patients in this group",
        State.TOO_FEW: f"not shown: fewer than {small:g} patients, here or in a group next to it",
        State.UNOBSERVED: "nothing observed under a target",
    }[figures.state]
