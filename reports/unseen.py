"""Time that says nothing about the band: not observed, or without a target, by month and by ward."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl
from markupsafe import Markup

from reports import charts, wording
from reports.figures import GroupFigures, State, group_figures

ALL_WARDS = "All wards"


@dataclass(frozen=True)
class Month:
    """One month: time not observed, as shares of the time under a target, and time without a target."""

    month: str
    unobserved: str
    on_oxygen: str
    on_air: str
    no_target: str


@dataclass(frozen=True)
class Grid:
    """One question by ward and month, as a chart with its answer and as a table; `svg` is empty without a figure."""

    title: str
    answer: str
    svg: Markup
    months: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def by_month(summary: pl.DataFrame, changes: pl.DataFrame, month: str, small: float) -> list[Month]:
    """Unobserved and no-target time of the twelve months that end with this one, all patients, hospital-wide."""
    return [_month(group_figures(summary, changes, each, None, None, small)) for each in wording.months_up_to(month)]


def _month(figures: GroupFigures) -> Month:
    name = wording.month_in_words(figures.month)
    if figures.state in (State.TOO_FEW, State.NOBODY):
        return Month(name, _cell(figures, None), *[wording.NOTHING] * 3)
    return Month(
        name,
        wording.percent(_unobserved(figures)),
        wording.percent(figures.of_target_time(figures.unobserved_on_oxygen_s)),
        wording.percent(figures.of_target_time(figures.unobserved_on_air_s)),
        wording.percent(figures.no_target_share),
    )


def _unobserved(figures: GroupFigures) -> float | None:
    return figures.of_target_time(figures.unobserved_s)


def by_ward(summary: pl.DataFrame, changes: pl.DataFrame, month: str, small: float) -> list[Grid]:
    """Not observed, and no target: wards in alphabetical order, the twelve months that end with this one.

    Empty when no ward was recorded in any of them.
    """
    months = wording.months_up_to(month)
    present = summary.filter(pl.col("month").is_in(months) & pl.col("ward").is_not_null())["ward"].unique()
    if not len(present):
        return []
    wards = sorted(present, key=lambda name: (name.casefold(), name))
    figures = {
        ward: [group_figures(summary, changes, each, ward, None, small) for each in months] for ward in (*wards, None)
    }
    questions: tuple[tuple[str, str, Callable[[GroupFigures], float | None]], ...] = (
        ("Not observed", "% of the time under a target", _unobserved),
        ("No target", "% of all audited time", lambda each: each.no_target_share),
    )
    return [_grid(title, unit, share, figures, months) for title, unit, share in questions]


def _grid(
    title: str,
    unit: str,
    share: Callable[[GroupFigures], float | None],
    figures: Mapping[str | None, Sequence[GroupFigures]],
    months: Sequence[str],
) -> Grid:
    shares = {ward: [_shown(each, share) for each in row] for ward, row in figures.items()}
    answer = _answer([row[-1] for ward, row in shares.items() if ward is not None], months[-1])
    names = [ward or ALL_WARDS for ward in shares]
    known = any(value is not None for row in shares.values() for value in row)
    label = f"{title}, by ward and month, in {unit}. {answer}."
    cells = [[None if value is None else 100 * value for value in row] for row in shares.values()]
    return Grid(
        f"{title}, {unit}",
        answer,
        charts.grid(names, months, cells, label) if known else Markup(),
        tuple(wording.short_month(each) for each in months),
        tuple(
            (name, tuple(_cell(each, value) for each, value in zip(row, values, strict=True)))
            for name, row, values in zip(names, figures.values(), shares.values(), strict=True)
        ),
    )


def _shown(figures: GroupFigures, share: Callable[[GroupFigures], float | None]) -> float | None:
    return None if figures.state in (State.NOBODY, State.TOO_FEW) else share(figures)


def _answer(shares: Sequence[float | None], month: str) -> str:
    name = wording.month_in_words(month)
    known = [share for share in shares if share is not None]
    if not known:
        return f"No ward has a figure in {name}"
    least, most = wording.percent(min(known)), wording.percent(max(known))
    if least == most:
        return f"{most} in {name}" if len(known) == 1 else f"{most} in every ward in {name}"
    return f"From {least} to {most} by ward in {name}"


def _cell(figures: GroupFigures, share: float | None) -> str:
    why = {State.NOBODY: " no patients", State.TOO_FEW: " too few patients"}.get(figures.state, "")
    return f"{wording.NOTHING}{why}" if share is None else wording.percent(share)
