"""The episodes of high inspired oxygen as cases to open in the record: a person judges, the page lists.

Oxygen above the band and oxygen needed to reach the band are two different things, and stand in two tables.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.vocabulary import EVIDENCE_IN_WORDS
from reports import wording

MOST_AVOIDABLE = 60
MOST_OTHERS = 20


@dataclass(frozen=True)
class Case:
    """One episode in words, with the keys its columns are sorted by (empty: no value)."""

    stay: str
    start: str
    start_key: str
    ward: str
    high: str
    high_s: int
    above: str
    above_s: int
    device: str
    fio2: str
    fio2_range: str
    fio2_key: float
    target: str
    spo2: str
    spo2_key: str
    gas_before: str
    gas_before_when: str
    gas_after: str
    gas_after_when: str
    gas_key: str
    gas_in_time: str
    acidosis: str
    evidence: str
    known: str


@dataclass(frozen=True)
class CaseList:
    """One table of cases. `total` may be more than the cases listed."""

    key: str
    title: str
    lead: str
    cases: tuple[Case, ...]
    total: int


def case_lists(episodes: pl.DataFrame) -> list[CaseList]:
    """The lists that have any case: above the band first, then below or within, then without a reading.

    episodes: one row per episode, the longest time above the band first.
    """
    kind = pl.col("saturation_during")
    lists = (
        _case_list(
            "above",
            "Saturation above the band: the avoidable kind",
            "At least one reading during the episode was above the upper limit in force. Longest time above first.",
            episodes.filter(kind == "above"),
            MOST_AVOIDABLE,
        ),
        _case_list(
            "needed",
            "High oxygen needed to reach the band",
            "No reading was above the band. These are sick patients who may have needed escalation: nothing here "
            "says that the oxygen should have been less. Longest first.",
            episodes.filter(kind.is_in(["below", "within"])),
            MOST_OTHERS,
        ),
        _case_list(
            "unknown",
            "No reading under a target during the episode",
            "Whether the oxygen was needed cannot be told. Longest first.",
            episodes.filter(kind == "none"),
            MOST_OTHERS,
        ),
    )
    return [one for one in lists if one.total]


def _case_list(key: str, title: str, lead: str, episodes: pl.DataFrame, most: int) -> CaseList:
    return CaseList(key, title, lead, tuple(map(_case, episodes.head(most).rows(named=True))), episodes.height)


def _case(row: Mapping[str, Any]) -> Case:
    limits = (row["lower_percent"], row["upper_percent"])
    return Case(
        stay=row["stay_id"],
        start=wording.short_day(row["started_at"]),
        start_key=row["started_at"].isoformat(),
        ward=row["ward"] or "no ward recorded",
        high=wording.duration(row["high_s"]),
        high_s=row["high_s"],
        above=wording.duration(row["above_on_oxygen_s"]),
        above_s=row["above_on_oxygen_s"],
        device=wording.DEVICE_IN_WORDS.get(row["device_at_peak"], row["device_at_peak"]),
        fio2=wording.percent(row["peak_fio2"]),
        fio2_range=_range(row["peak_fio2_low"], row["peak_fio2_high"]),
        fio2_key=row["peak_fio2"],
        target="none" if None in limits else _from_to(*limits),
        spo2=_lowest_highest(row["spo2_min"], row["spo2_max"]),
        spo2_key="" if row["spo2_max"] is None else f"{row['spo2_max']:g}",
        gas_before=_gas(row["gas_before_pco2_kpa"], row["gas_before_ph"], row["gas_before_at"]),
        gas_before_when=_when(_minutes_before(row), "before"),
        gas_after=_gas(row["gas_after_pco2_kpa"], row["gas_after_ph"], row["gas_after_minutes"]),
        gas_after_when=_when(row["gas_after_minutes"], "after"),
        gas_key="" if row["gas_after_pco2_kpa"] is None else f"{row['gas_after_pco2_kpa']:g}",
        gas_in_time="in time" if row["repeat_gas_in_time"] else "not in time",
        acidosis="respiratory acidosis" if row["acidosis_after"] else "",
        evidence=EVIDENCE_IN_WORDS[row["retainer_ever"]],
        known=_known(row["retainer_at_start"], row["retainer_ever"]),
    )


def _range(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "range not known"
    return "recorded" if low == high else _from_to(round(100 * low, 1), round(100 * high, 1))


def _lowest_highest(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "no reading"
    return f"{low:g} %" if low == high else _from_to(low, high)


def _from_to(low: float, high: float) -> str:
    return f"{low:g}{wording.EN_DASH}{high:g}{wording.NO_BREAK}%"


def _minutes_before(row: Mapping[str, Any]) -> float | None:
    at = row["gas_before_at"]
    return None if at is None else (row["started_at"] - at).total_seconds() / 60


def _gas(pco2_kpa: float | None, ph: float | None, taken: object) -> str:
    if taken is None:
        return "no gas"
    values = [] if pco2_kpa is None else [f"{wording.exact(pco2_kpa, 1)} kPa"]
    values += [] if ph is None else [f"pH {wording.exact(ph, 2)}"]
    return ", ".join(values) or "taken, no values"


def _when(minutes: float | None, what: str) -> str:
    if minutes is None:
        return ""
    return "at the start" if minutes == 0 else f"{wording.duration(60 * minutes)} {what}"


def _known(at_start: str | None, ever: str) -> str:
    if at_start is None:
        return "not yet known at the start"
    return "known at the start" if at_start == ever else f"at the start: {EVIDENCE_IN_WORDS[at_start]}"
