"""Why a stay is on the list of those to look at, in words: what was charted and in what order, never what caused it."""

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from reports import store_tables, wording


@dataclass(frozen=True)
class Entry:
    """One stay: where to begin to look, the reasons, and the command that draws it."""

    stay: str
    began: str
    ward: str
    device: str
    reasons: tuple[str, ...]
    command: str


def entries(rows: Sequence[Mapping[str, Any]], zone: str, repeat_gas_minutes: float) -> list[Entry]:
    """One per row of `stays_to_review`, in its order."""
    return [
        Entry(
            row["stay_id"],
            _began(row["began_at"], zone),
            row["ward"] or "no ward recorded",
            wording.DEVICE_IN_WORDS.get(row["device"], row["device"]) or "no device recorded",
            tuple(wording.sentence_case(reason) for reason in _reasons(row, repeat_gas_minutes)),
            f"bandaudit case --store FILE --stay {shlex.quote(row['stay_id'])} --out FOLDER",
        )
        for row in rows
    ]


def _began(at: datetime | None, zone: str) -> str:
    return wording.NOTHING if at is None else wording.short_day(store_tables.local(at, zone))


def _reasons(row: Mapping[str, Any], repeat_gas_minutes: float) -> list[str]:
    """The reasons first in the order of the list, the time on either side of the band last."""
    told = []
    if row["acidosis_ph"] is not None:
        gas = f"pH {wording.exact(row['acidosis_ph'], 2)}, pCO2 {wording.exact(row['acidosis_pco2_kpa'], 1)} kPa"
        told.append(f"a gas afterwards showed respiratory acidosis ({gas})")
    if row["rise_kpa"] is not None:
        ends = f"from {wording.exact(row['rise_from_kpa'], 1)} to {wording.exact(row['rise_to_kpa'], 1)} kPa"
        told.append(f"the pCO2 was higher in the gas after time above the band than in the one before ({ends})")
    if row["late_ventilation"]:
        told.append("bilevel ventilation not within the time asked for after a gas that showed acidosis")
    if row["without_gas"]:
        minutes = wording.short_number(repeat_gas_minutes)
        told.append(f"no gas within {minutes} minutes of an episode of high oxygen with a reading above the band")
    if row["uncontrolled_minutes"] is not None:
        waited = wording.duration(60 * row["uncontrolled_minutes"])
        told.append(f"oxygen not controlled for {waited} after the first gas that showed CO2 retention")
    return [*told, *_time(row)]


def _time(row: Mapping[str, Any]) -> list[str]:
    above = "never above the band on oxygen"
    if row["above_s"]:
        runs = row["runs"]
        stretches = "" if runs == 1 else f", in {runs} stretches, the longest {wording.duration(row['longest_s'])}"
        part = "all" if row["after_gas_s"] == row["above_s"] else wording.duration(row["after_gas_s"])
        after = f", {part} of it once a gas had shown CO2 retention"
        above = (
            f"above the band on oxygen for {wording.duration(row['above_s'])}{stretches}"
            f"{after if row['after_gas_s'] else ''}"
        )
    below = f"below it for {wording.duration(row['below_s'])}" if row["below_s"] else "never below it"
    return [f"{above}; {below}"]
