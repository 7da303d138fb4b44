"""The section of every measure in the catalogue: a new measure appears by itself."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.catalogue import Measure
from reports import charts, sentences, wording
from reports.figures import pick
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
    """One measure: its words, this month, twelve months, and the figures by group and by ward.

    unit: what the figures need beside them; empty where they say per cent themselves.
    """

    measure: Measure
    now: Result
    before: Result
    remark: str
    unit: str
    answer: str
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
    measures: Sequence[Measure], summary: pl.DataFrame, month: str, absent: Collection[str] = ()
) -> list[Section]:
    """One section per measure, in the catalogue's order. summary: `measure_summary`, small counts suppressed.

    absent: tables never loaded; a measure that needs one of them shows no figure and says so.
    """
    made = []
    for measure in measures:
        rows = summary.filter(pl.col("measure_id") == measure.id)
        untold = [table for table in measure.needs if table in absent]
        section = _section(measure, rows.clear() if untold else rows, month)
        if untold:
            why = f"could not be made: no {wording.listed_in_words(untold)} were loaded"
            section = replace(section, now=replace(section.now, why=why), remark="")
        made.append(section)
    return made


def _section(measure: Measure, rows: pl.DataFrame, month: str) -> Section:
    months = wording.months_up_to(month)
    groups = [
        (wording.GROUP_IN_WORDS[group], _result(measure, rows, month, None, group))
        for group in ("retainer", "other")
        if pick(rows, month, None, group) is not None
    ]
    points = [(each, *_ends(rows, each)) for each in months]
    unit = "" if measure.unit == PERCENT else measure.unit
    answer = sentences.trend_title(
        [(each, value) for each, value, _, _ in points],
        lambda value: written(measure.unit, value),
        month,
    )
    return Section(
        measure,
        now=_result(measure, rows, month, None, None),
        before=_result(measure, rows, wording.month_before(month), None, None),
        remark=_remark(measure, rows, month),
        unit=unit,
        answer=f"{answer} ({unit})" if unit else answer,
        svg=_chart(measure, points, answer),
        groups=tuple(groups),
        months=tuple((wording.month_in_words(each), _result(measure, rows, each, None, None)) for each in months),
        wards=tuple((ward, _result(measure, rows, month, ward, None)) for ward in ward_names(rows, month)),
    )


def written(unit: str, value: float | None) -> str:
    """A result as a number; a share in per cent, the rest without its unit, which stands beside it in words."""
    return wording.percent(value) if unit == PERCENT else _plain(value)


def _plain(value: float | None) -> str:
    return wording.number(value, 0 if value is None or abs(value) >= 100 else 1)


def _result(measure: Measure, rows: pl.DataFrame, month: str, ward: str | None, group: str | None) -> Result:
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
    last = _result(measure, rows, before, None, None)
    parts = [
        _result(measure, rows, month, None, None).basis,
        f"{wording.month_in_words(before)}: {last.why or last.figure}",
        "" if measure.better == "neither" else f"{wording.sentence_case(measure.better)} is better",
    ]
    return "".join(f"{part}. " for part in parts if part).strip()


def _basis(measure: Measure, row: dict[str, Any]) -> str:
    patients = wording.counted(row["patients"], "patient")
    if measure.kind == "median":
        return f"{patients}, {wording.counted(row['events'], 'event')}"
    return patients


def _ends(rows: pl.DataFrame, month: str) -> tuple[float | None, float | None, float | None]:
    row = pick(rows, month, None, None) or {}
    return row.get("result"), row.get("low"), row.get("high")


def _chart(
    measure: Measure, points: Sequence[tuple[str, float | None, float | None, float | None]], answer: str
) -> Markup:
    if all(value is None for _, value, _, _ in points):
        return Markup()
    scale = 100 if measure.unit == PERCENT else 1
    drawn = [charts.Point(month, *(_scaled(end, scale) for end in ends)) for month, *ends in points]
    last = written(measure.unit, points[-1][1])
    label = f"{measure.title}, by month, in {measure.unit}, with 95 % intervals. {answer}."
    changed = [f"{change.date:%Y-%m}" for change in measure.changes]
    return charts.trend(drawn, last, label, measure.unit, changes=changed)


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else scale * value
