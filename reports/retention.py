"""What happened to the patients who retain CO2, beside the measures: distance from the band, gases, dose and waste."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from reports import wording

_GROUPS = ("retainer", "other")
_DIRECTIONS = {"more": "More oxygen", "less": "Less oxygen"}
_TOO_FEW = "not shown: small numbers"
_NONE = "none"
_ESTIMATES = {"low": "the lowest", "best": "the best", "high": "the highest"}
_STEPS = (
    "below_by_more",
    "below_by_2",
    "below_by_1",
    "above_on_oxygen_by_1",
    "above_on_oxygen_by_2",
    "above_on_oxygen_by_more",
)


@dataclass(frozen=True)
class Distance:
    """Readings of one group by distance from the band, as shares in words; `why` says why there are none."""

    group: str
    readings: str
    shares: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Effect:
    """What followed more, or less, oxygen: figures in words; `why` says why there are none."""

    direction: str
    changes: str
    pairs: str
    pco2: str
    risen: str
    ph: str
    why: str


@dataclass(frozen=True)
class Excess:
    """Time above the band on oxygen of one group: dose and oxygen in words; `why` says why there are none."""

    group: str
    patients: str
    hours: str
    percent_hours: str
    litres: str
    unknown: str
    why: str


def distances(rows: pl.DataFrame, small: float, knows_oxygen: bool = True) -> list[Distance]:
    """One per group. rows: per group `patients`, `readings` and a count per step, of one month.

    knows_oxygen: whether it is known who was on oxygen; if not, the steps above the band are left empty.
    """
    return [
        _distance(wording.sentence_case(wording.GROUP_IN_WORDS[name]), _of(rows, "group", name), small, knows_oxygen)
        for name in _GROUPS
    ]


def _distance(group: str, row: Mapping[str, Any] | None, small: float, knows_oxygen: bool) -> Distance:
    why = _why(row, small)
    if row is None or why:
        return Distance(group, wording.NOTHING, (wording.NOTHING,) * len(_STEPS), why)
    shares = tuple(
        wording.percent(row[step] / row["readings"])
        if knows_oxygen or not step.startswith("above_on_oxygen")
        else wording.NOTHING
        for step in _STEPS
    )
    return Distance(group, f"{row['readings']:,}", shares, "")


def effects(rows: pl.DataFrame, small: float) -> list[Effect]:
    """One per direction. rows: `oxygen_change_effects` of one month."""
    return [_effect(title, _of(rows, "direction", name), small) for name, title in _DIRECTIONS.items()]


def _effect(direction: str, row: Mapping[str, Any] | None, small: float) -> Effect:
    why = _why(row, small)
    if row is None or why:
        changes = wording.NOTHING if row is None else f"{row['changes']:,}"
        nothing = wording.NOTHING
        return Effect(direction, changes, nothing, nothing, nothing, nothing, why)
    return Effect(
        direction,
        f"{row['changes']:,}",
        f"{row['pairs']:,} ({wording.counted(row['patients'], 'patient')})",
        _change(row, "pco2_change_{}_kpa", 2, " kPa"),
        f"{row['pco2_risen_pairs']:,} of {row['pairs']:,}",
        _change(row, "ph_change_{}", 3, ""),
        "",
    )


def _change(row: Mapping[str, Any], name: str, decimals: int, unit: str) -> str:
    median, q1, q3 = (row[name.format(part)] for part in ("median", "q1", "q3"))
    if median is None:
        return wording.NOTHING
    return f"{median:+.{decimals}f}{unit} ({q1:+.{decimals}f} to {q3:+.{decimals}f})".replace("-", "\N{MINUS SIGN}")


def excess(rows: pl.DataFrame, small: float) -> list[Excess]:
    """One per group. rows: `excess_totals` of one month."""
    return [
        _excess(wording.sentence_case(wording.GROUP_IN_WORDS[name]), _of(rows, "group", name), small)
        for name in _GROUPS
    ]


def _excess(group: str, row: Mapping[str, Any] | None, small: float) -> Excess:
    why = _why(row, small)
    if row is None or why:
        nothing = wording.NOTHING
        return Excess(group, nothing, nothing, nothing, nothing, nothing, why)
    unknown = row["litres_unknown_hours"]
    return Excess(
        group,
        f"{row['patients']:,}",
        f"{row['hours']:,.0f}",
        f"{row['percent_hours']:,.0f}",
        f"{row['litres']:,.0f}",
        f"flow not charted for {unknown:,.0f} hours" if round(unknown) else "",
        "",
    )


def estimates_in_words(counts: Mapping[str, int], threshold: float) -> str:
    """How many episodes there are under each estimate of the inspired oxygen; empty where there is none under any."""
    if not any(counts.values()):
        return ""
    told = [f"{counts.get(name, 0):,} under {words}" for name, words in _ESTIMATES.items()]
    return (
        f"Inspired oxygen is an estimate. Episodes of more than {wording.percent(threshold)}, by the same rule: "
        f"{wording.listed_in_words(told)} plausible estimate."
    )


def _of(rows: pl.DataFrame, column: str, name: str) -> Mapping[str, Any] | None:
    return next(iter(rows.filter(pl.col(column) == name).rows(named=True)), None)


def _why(row: Mapping[str, Any] | None, small: float) -> str:
    if row is None or not row["patients"]:
        return _NONE
    return _TOO_FEW if row["patients"] < small else ""
