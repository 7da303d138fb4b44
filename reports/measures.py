"""The section of every measure in the catalogue: a new measure appears by itself."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import duckdb
import polars as pl
from markupsafe import Markup

from pipeline.catalogue import Measure
from pipeline.declared_changes import NONE_DECLARED, DeclaredChanges
from reports import changes_made, charts, signals, wording
from reports.figures import pick
from reports.trend_chart import Mark, trend
from reports.wards import ward_names

PERCENT = "%"


@dataclass(frozen=True)
class Result:
    """One result as it is shown; `why` says why there is none (empty: there is one)."""

    figure: str
    interval: str
    basis: str
    why: str


@dataclass(frozen=True)
class Section:
    """One measure: its words, this month, the months before it, and the figures by group and by ward.

    unit: what the figures need beside them; empty where they say per cent themselves. notes: its signals and limits;
    changed: the figure before and after each declared change.
    """

    measure: Measure
    now: Result
    before: Result
    remark: str
    unit: str
    answer: str
    notes: tuple[str, ...]
    changed: tuple[str, ...]
    svg: Markup
    groups: tuple[tuple[str, Result], ...]
    months: tuple[tuple[str, Result], ...]
    wards: tuple[tuple[str, Result], ...]


# In this order the parts of the report follow each other.
PARTS_IN_WORDS = {
    "band": "Inside, below and above the band",
    "episodes": "High inspired oxygen in CO2 retainers",
    "pathway": "The pathway: prescribed, re-checked and escalated in time?",
    "valves": "Air-entrainment valves",
    "gases": "Blood gases",
    "excess": "Excess oxygen, and what followed it",
    "other": "Further measures",
}


@dataclass(frozen=True)
class Part:
    """Measures that answer one question together."""

    title: str
    sections: tuple[Section, ...]


def parts(made: Sequence[Section]) -> list[Part]:
    """The sections by the part of the report they stand in; a part without any is left out."""
    return [
        Part(title, of_part)
        for name, title in PARTS_IN_WORDS.items()
        if (of_part := tuple(section for section in made if section.measure.part == name))
    ]


def sections(
    con: duckdb.DuckDBPyConnection,
    measures: Sequence[Measure],
    summary: pl.DataFrame,
    month: str,
    absent: Collection[str] = (),
    declared: DeclaredChanges = NONE_DECLARED,
) -> list[Section]:
    """One section per measure, in the catalogue's order. summary: `measure_summary`, small counts suppressed.

    absent: tables never loaded; a measure that needs one of them shows no figure and says so.
    """
    months = signals.months_drawn(summary, month)
    made = []
    for measure in measures:
        rows = summary.filter(pl.col("measure_id") == measure.id)
        untold = [table for table in measure.needs if table in absent]
        section = _section(con, measure, rows.clear() if untold else rows, months, declared)
        if untold:
            why = f"could not be made: no {wording.listed_in_words(untold)} were loaded"
            section = replace(section, now=replace(section.now, why=why), remark="")
        made.append(section)
    return made


def _section(
    con: duckdb.DuckDBPyConnection,
    measure: Measure,
    rows: pl.DataFrame,
    months: Sequence[str],
    declared: DeclaredChanges,
) -> Section:
    month = months[-1]
    groups = [
        (wording.GROUP_IN_WORDS[group], result_shown(measure, rows, month, None, group))
        for group in ("retainer", "other")
        if pick(rows, month, None, group) is not None
    ]
    picked = {each: pick(rows, each, None, None) or {} for each in months}
    unit = "" if measure.unit == PERCENT else measure.unit
    told = _told(measure, picked, declared)
    whole = rows.filter(pl.col("ward").is_null() & pl.col("group").is_null() & (pl.col("month") <= month))
    shown = dict(whole.filter(pl.col("result").is_not_null()).select("month", "result").iter_rows())
    return Section(
        measure,
        now=result_shown(measure, rows, month, None, None),
        before=result_shown(measure, rows, wording.month_before(month), None, None),
        remark=_remark(measure, rows, month),
        unit=unit,
        answer=f"{told.answer} ({unit})" if unit else told.answer,
        notes=told.notes,
        changed=changes_made.of_measure(con, measure, shown, declared, lambda value: written(measure.unit, value)),
        svg=_chart(measure, picked, told, declared),
        groups=tuple(groups),
        months=tuple((wording.month_in_words(each), result_shown(measure, rows, each, None, None)) for each in months),
        wards=tuple((ward, result_shown(measure, rows, month, ward, None)) for ward in ward_names(rows, month)),
    )


def _told(measure: Measure, picked: Mapping[str, dict[str, Any]], declared: DeclaredChanges) -> signals.Told:
    values, sizes = ([row.get(name) for row in picked.values()] for name in ("result", "denominator"))
    series = signals.series_of_measure(measure, list(picked), values, sizes)
    share = measure.unit == PERCENT
    return signals.tell(
        series,
        lambda value: written(measure.unit, value),
        declared,
        scale=100 if share else 1,
        highest=1.0 if share else float("inf"),
    )


def written(unit: str, value: float | None) -> str:
    """A result as a number; a share in per cent, the rest without its unit, which stands beside it in words."""
    return wording.percent(value) if unit == PERCENT else _plain(value)


def _plain(value: float | None) -> str:
    return wording.number(value, 0 if value is None or abs(value) >= 100 else 1)


def result_shown(measure: Measure, rows: pl.DataFrame, month: str, ward: str | None, group: str | None) -> Result:
    """One figure of a measure in words. rows: `measure_summary` of this measure, small counts suppressed."""
    row = pick(rows, month, ward, group)
    if row is None:
        return Result(wording.NOTHING, "", "", "nobody eligible")
    if row["suppressed"]:
        return Result(wording.NOTHING, "", "", "not shown: small numbers")
    if row["result"] is None:
        why = "not reached: for half or more it had not come" if row["events"] else "nothing eligible"
        return Result(wording.NOTHING, "", "", why)
    return Result(written(measure.unit, row["result"]), _interval(measure, row), _basis(measure, row), "")


def _interval(measure: Measure, row: dict[str, Any]) -> str:
    low, high = row["low"], row["high"]
    if measure.unit == PERCENT:
        return "" if low is None else wording.percent_interval(low, high, row["result"])
    if high is not None and low is not None:
        return f"{_plain(low)} to {_plain(high)}"
    return "interval not reached" if low is None else f"{_plain(low)} or more"


def _remark(measure: Measure, rows: pl.DataFrame, month: str) -> str:
    before = wording.month_before(month)
    last = result_shown(measure, rows, before, None, None)
    parts = [
        result_shown(measure, rows, month, None, None).basis,
        f"{wording.month_in_words(before)}: {last.why or last.figure}",
        "" if measure.better == "neither" else f"{wording.sentence_case(measure.better)} is better",
    ]
    return "".join(f"{part}. " for part in parts if part).strip()


def _basis(measure: Measure, row: dict[str, Any]) -> str:
    patients = wording.counted(row["patients"], "patient")
    if measure.kind == "median":
        return f"{patients}, {wording.counted(row['events'], 'event')}"
    return patients


def _chart(
    measure: Measure, picked: Mapping[str, dict[str, Any]], told: signals.Told, declared: DeclaredChanges
) -> Markup:
    ends = {month: [row.get(name) for name in ("result", "low", "high")] for month, row in picked.items()}
    if all(value is None for value, _, _ in ends.values()):
        return Markup()
    scale = 100 if measure.unit == PERCENT else 1
    drawn = [charts.Point(month, *(_scaled(end, scale) for end in three)) for month, three in ends.items()]
    last = written(measure.unit, list(ends.values())[-1][0])
    label = f"{measure.title}, by month, in {measure.unit}, with 95 % intervals. {told.answer}. {' '.join(told.notes)}"
    changed = [Mark(change.date, "meaning changed", dashed=True) for change in measure.changes]
    return trend(drawn, last, label, measure.unit, limits=told.limits, marks=[*changed, *signals.marks(declared)])


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else scale * value
