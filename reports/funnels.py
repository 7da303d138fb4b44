"""Wards against the hospital for two shares: which lie outside the limits of chance, in words, chart and table."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import duckdb
import polars as pl
from markupsafe import Markup

from pipeline.funnel import FEWEST_WARDS, LEVELS
from pipeline.measure_file import Measure
from pipeline.ward_funnel import Funnel, FunnelWard, ward_funnel
from reports import wording
from reports.funnel_chart import Dot, Line, funnel
from reports.wards import ward_names

# One share of time and one of events.
MEASURES = ("share_above_on_oxygen", "oxygen_stays_with_target")
_NAMES = tuple(f"{100 * level:g} %" for level in LEVELS)
_WITHIN = "within the limits"


@dataclass(frozen=True)
class FunnelRow:
    """One ward: what it rests on, its figure, its limits, and on which side of them it lies; `why`: no figure."""

    ward: str
    size: str
    figure: str
    limits: tuple[str, ...]
    place: str
    why: str


@dataclass(frozen=True)
class FunnelShown:
    """One funnel: its title, its answer, what the limits allow for, and a row a ward. `svg` empty: `why` says why."""

    title: str
    answer: str
    note: str
    size_name: str
    levels: tuple[str, ...]
    svg: Markup
    rows: tuple[FunnelRow, ...]


def funnels(
    con: duckdb.DuckDBPyConnection,
    measures: Sequence[Measure],
    summary: pl.DataFrame,
    month: str,
    absent: Collection[str] = (),
) -> list[FunnelShown]:
    """The funnels of this month. summary: `measure_summary`, small counts suppressed; wards in alphabetical order."""
    made = []
    for measure in measures:
        if measure.id in MEASURES and not any(table in absent for table in measure.needs):
            rows = summary.filter((pl.col("measure_id") == measure.id) & (pl.col("month") == month))
            made.append(_shown(con, measure, rows, month))
    return [each for each in made if each is not None]


def _shown(con: duckdb.DuckDBPyConnection, measure: Measure, rows: pl.DataFrame, month: str) -> FunnelShown | None:
    of_all = rows.filter(pl.col("group").is_null())
    hospital = of_all.filter(pl.col("ward").is_null())
    if not hospital.height or hospital["suppressed"][0] or hospital["result"][0] is None:
        return None
    names = ward_names(rows, month)
    kept = set(of_all.filter(~pl.col("suppressed") & pl.col("result").is_not_null())["ward"].drop_nulls())
    found = ward_funnel(con, measure, month, [name for name in names if name in kept])
    if found is None:
        return None
    by_name = {ward.ward: ward for ward in found.wards}
    return FunnelShown(
        measure.title,
        _answer(found),
        _note(found),
        wording.sentence_case(found.size_name),
        _NAMES,
        _chart(measure, found),
        tuple(_row(name, by_name) for name in names),
    )


def _row(name: str, by_name: Mapping[str, FunnelWard]) -> FunnelRow:
    if name not in by_name:
        return FunnelRow(name, "", "", (), "", "not shown: few patients, or nothing eligible")
    ward = by_name[name]
    limits = tuple(wording.percent_interval(low, high, ward.share) for low, high in ward.limits)
    return FunnelRow(name, f"{ward.size:,}", wording.percent(ward.share), limits, _place(ward), "")


def _place(ward: FunnelWard) -> str:
    """On which side of which limits a ward lies: the outer ones first."""
    for name, side in reversed(list(zip(_NAMES, ward.beyond, strict=True))):
        if side:
            return f"{'above' if side > 0 else 'below'} the {name} limits"
    return _WITHIN


def _answer(found: Funnel) -> str:
    outside = [ward for ward in found.wards if _place(ward) != _WITHIN]
    shown = wording.counted(len(found.wards), "ward")
    if not outside:
        return f"None of the {shown} shown lies outside the limits of chance"
    named = wording.listed_in_words([f"{ward.ward} ({_place(ward)})" for ward in outside])
    return f"{len(outside)} of the {shown} shown: {named}"


def _note(found: Funnel) -> str:
    spread = found.spread
    if spread.wards < FEWEST_WARDS:
        return (
            f"{wording.counted(spread.wards, 'ward')} are too few to judge whether wards differ beyond chance: "
            f"{FEWEST_WARDS} are needed."
        )
    if spread.tau2 > 0:
        return (
            f"The wards differ clearly more than by chance (winsorised phi {spread.phi:.1f}; 1 is expected), so the "
            "limits of all are wider: wards differ in general, for instance in whom they care for."
        )
    return f"The wards do not clearly differ more than by chance (winsorised phi {spread.phi:.1f}; 1 is expected)."


def _chart(measure: Measure, found: Funnel) -> Markup:
    dots = [Dot(ward.ward, ward.size, 100 * ward.share, _place(ward) != _WITHIN) for ward in found.wards]
    lines = [
        Line(name, tuple((size, 100 * low, 100 * high) for size, low, high in line))
        for name, line in zip(_NAMES, found.lines, strict=True)
    ]
    label = (
        f"{measure.title}: a dot for each ward by number of {found.size_name}, in %, with limits of 95 % and 99.8 % "
        f"around the hospital's figure. {_answer(found)}."
    )
    size_title = f"{found.size_name} of the ward"
    return funnel(dots, lines, 100 * found.share, label, "%", size_title)
