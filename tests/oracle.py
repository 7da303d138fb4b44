"""A slow second answer to the audit: walk through each stay step by step and ask, at every instant, what holds.

Written from the definitions only, in plain Python, sharing no code with the tool. Each function answers one
sentence of the definitions, so that both can be read side by side. Speed does not matter here.

Tables are lists of dictionaries in the canonical columns; every time is a naive UTC datetime in whole seconds.
A step of one second is always right. A longer step is just as exact when every instant at which anything can
change falls on a multiple of it; `exact_step` finds the longest such step.
"""

from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import gcd
from typing import Any
from zoneinfo import ZoneInfo

Row = Mapping[str, Any]
Tables = Mapping[str, list[dict[str, Any]]]
Thresholds = Mapping[str, float]

# The default thresholds of the definitions, said again here so that a slip in the tool's own file is noticed.
DEFAULTS: dict[str, float] = {
    "reading_carry_hours": 6,
    "device_carry_hours": 24,
    "retainer_pco2_above_kpa": 6.0,
    "acidosis_ph_below": 7.35,
    "high_fio2_above": 0.28,
    "episode_join_minutes": 30,
    "episode_min_minutes": 30,
    "repeat_gas_minutes": 60,
    "nebuliser_carry_minutes": 30,
    "gas_pair_hours": 6,
    "reading_near_gas_minutes": 15,
}
EXCLUSIONS = (
    "carbon_monoxide_poisoning",
    "critical_care",
    "end_of_life_care",
    "pneumothorax_high_oxygen",
    "resuscitation",
    "theatre",
)
HISTORY_FLAGS = ("previous_hypercapnia", "oxygen_alert", "home_ventilation")
STRENGTH = {"gas": 3, "history": 2, "target": 1, None: 0}
BAND_COLUMNS = {
    "below": "below_s",
    "within": "within_s",
    "above_on_oxygen": "above_on_oxygen_s",
    "above_on_air": "above_on_air_s",
    "above_device_unknown": "above_device_unknown_s",
    "unobserved": "unobserved_s",
    "no_target": "no_target_s",
    "excluded": "excluded_s",
}
BAND_KEYS = (
    "stay_id",
    "patient_key",
    "month",
    "ward",
    "lower_percent",
    "upper_percent",
    "retainer",
)


# --- what is in force at one instant ------------------------------------------------------------------------


def window(stay: Row, as_of: datetime) -> tuple[datetime, datetime]:
    """[admitted, discharged); a stay still open ends at the as-of time."""
    return stay["admitted_at"], stay["discharged_at"] or as_of


def of_stay(tables: Tables, table: str, stay: Row) -> list[dict[str, Any]]:
    return [row for row in tables.get(table, []) if row["stay_id"] == stay["stay_id"]]


def latest(rows: list[dict[str, Any]], column: str, at: datetime) -> dict[str, Any] | None:
    """The row with the latest time at or before `at`."""
    begun = [row for row in rows if row[column] <= at]
    return max(begun, key=lambda row: row[column]) if begun else None


def ward_at(rows: list[dict[str, Any]], at: datetime) -> str | None:
    """Null before the first move."""
    move = latest(rows, "entered_at", at)
    return move["ward"] if move else None


@lru_cache(maxsize=200_000)
def month_at(zone: str, at: datetime) -> str:
    """The calendar month that a clock on the wall shows."""
    return at.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).strftime("%Y-%m")


def spo2_at(rows: list[dict[str, Any]], at: datetime, thresholds: Thresholds) -> float | None:
    """The last reading, carried to the next one or for the reading carry, whichever is first."""
    reading = latest(rows, "taken_at", at)
    if reading is None:
        return None
    runs_out = reading["taken_at"] + timedelta(hours=thresholds["reading_carry_hours"])
    return reading["spo2_percent"] if at < runs_out else None


def device_at(rows: list[dict[str, Any]], at: datetime, thresholds: Thresholds) -> dict[str, Any] | None:
    """The record in force: the latest, until its own end or its carry.

    A nebuliser lies on top of the record before it: once it has ended the one underneath counts, for what is
    left of its own time, and so on down to the latest record that is no nebuliser.
    """
    begun = [row for row in rows if row["started_at"] <= at]
    for row in sorted(begun, key=lambda row: row["started_at"], reverse=True):
        is_nebuliser = row["device"] == "oxygen_driven_nebuliser"
        if row["ended_at"] is not None:
            end = row["ended_at"]
        elif is_nebuliser:
            end = row["started_at"] + timedelta(minutes=thresholds["nebuliser_carry_minutes"])
        else:
            end = row["started_at"] + timedelta(hours=thresholds["device_carry_hours"])
        if at < end:
            return row
        if not is_nebuliser:
            return None
    return None


def on_oxygen(record: Row | None) -> bool | None:
    """Null if no device is in force, or if an unusual one has neither flow nor fraction recorded."""
    if record is None:
        return None
    device, flow, recorded = record["device"], record["flow_l_min"], record["fio2_fraction"]
    enriched = recorded is not None and recorded > 0.21
    if device == "room_air":
        return False
    if device == "oxygen_driven_nebuliser":
        return True
    if device in ("nasal_cannula", "simple_mask", "air_entrainment_mask", "reservoir_mask"):
        return not (flow == 0 and not enriched)
    if (flow is not None and flow > 0) or enriched:
        return True
    if flow is None and recorded is None:
        return None
    return False


Fractions = tuple[float | None, float | None, float | None]
UNKNOWN: Fractions = (None, None, None)


def inspired_fractions(record: Row | None) -> Fractions:
    """Best estimate, low and high of the inspired oxygen fraction, rounded so that noise turns no comparison."""
    if record is None:
        return UNKNOWN
    best, low, high = _fractions(record["device"], record["flow_l_min"], record["fio2_fraction"])
    return _rounded(best), _rounded(low), _rounded(high)


def _fractions(device: str, flow: float | None, recorded: float | None) -> Fractions:
    if device == "room_air":
        return 0.21, 0.21, 0.21
    if device == "air_entrainment_mask":
        return UNKNOWN if recorded is None else _entrainment(recorded)
    if recorded is not None:
        return recorded, recorded, recorded
    if device == "oxygen_driven_nebuliser":
        return 0.50, 0.40, 0.60
    if flow is None:
        return UNKNOWN
    if device == "nasal_cannula":
        return _cannula(flow)
    if flow == 0:
        return UNKNOWN
    if device in ("simple_mask", "tracheostomy_mask"):
        return _simple_mask(flow), 0.30, 0.60
    if device == "reservoir_mask":
        return _reservoir_mask(flow), 0.60, 0.95
    return UNKNOWN


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 6)


def _entrainment(printed: float) -> Fractions:
    low = 0.50 if printed >= 0.60 else printed - 0.015
    return printed, max(low, 0.21), min(printed + 0.02, 1.0)


def _cannula(flow: float) -> Fractions:
    best = 0.20 + 0.04 * flow if flow <= 6 else 0.44
    low = min(0.20 + 0.02 * flow, 0.32)
    high = min(0.20 + 0.06 * flow, 0.60)
    return max(best, 0.21), max(low, 0.21), max(high, 0.21)


def _simple_mask(flow: float) -> float:
    if flow < 5:
        return 0.35
    if flow < 6:
        return 0.40
    if flow < 7:
        return 0.50
    return 0.60


def _reservoir_mask(flow: float) -> float:
    if flow < 7:
        return 0.60
    if flow < 8:
        return 0.70
    if flow < 9:
        return 0.80
    if flow < 10:
        return 0.90
    return 0.95


def target_at(rows: list[dict[str, Any]], at: datetime) -> tuple[float | None, float | None]:
    """The latest prescribed at or before, unless its stop has passed; an older one never comes back."""
    target = latest(rows, "prescribed_at", at)
    if target is None or (target["stopped_at"] is not None and target["stopped_at"] <= at):
        return None, None
    return target["lower_percent"], target["upper_percent"]


def exclusion_at(rows: list[dict[str, Any]], stay: Row, at: datetime) -> str | None:
    """The first flag by name that takes this instant out of the audit."""
    names = [
        row["flag"]
        for row in rows
        if row["flag"] in EXCLUSIONS
        and max(row["flagged_at"], stay["admitted_at"]) <= at
        and (row["until_at"] is None or at < row["until_at"])
    ]
    return min(names) if names else None


def proves_retention(gas: Row, thresholds: Thresholds) -> bool:
    """Arterial or capillary, with pCO2 above the threshold; a venous gas never does."""
    return (
        gas["sample_type"] in ("arterial", "capillary")
        and gas["pco2_kpa"] is not None
        and gas["pco2_kpa"] > thresholds["retainer_pco2_above_kpa"]
    )


def retainer_at(stay: Row, tables: Tables, at: datetime, thresholds: Thresholds) -> str | None:
    """The strongest evidence of CO2 retention up to `at`: gas, history, target, or none."""
    for gas in of_stay(tables, "gases", stay):
        if proves_retention(gas, thresholds) and gas["taken_at"] <= at:
            return "gas"
    if has_history_gas(stay, tables, thresholds):
        return "history"
    for flag in of_stay(tables, "flags", stay):
        if flag["flag"] in HISTORY_FLAGS and flag["flagged_at"] <= at:
            return "history"
    for target in of_stay(tables, "targets", stay):
        if target["upper_percent"] <= 92 and target["prescribed_at"] <= at:
            return "target"
    return None


def has_history_gas(stay: Row, tables: Tables, thresholds: Thresholds) -> bool:
    """Such a gas in another stay of the same patient, taken before this admission."""
    others = {
        other["stay_id"]
        for other in tables["stays"]
        if other["patient_key"] == stay["patient_key"] and other["stay_id"] != stay["stay_id"]
    }
    return any(
        gas["stay_id"] in others and gas["taken_at"] < stay["admitted_at"] and proves_retention(gas, thresholds)
        for gas in tables.get("gases", [])
    )


def retainer_ever(stay: Row, tables: Tables, as_of: datetime, thresholds: Thresholds) -> str | None:
    """The strongest evidence at any time in the stay: evidence never goes away, so that of its last second."""
    start, end = window(stay, as_of)
    return retainer_at(stay, tables, end - timedelta(seconds=1), thresholds) if start < end else None


def band_state(
    spo2: float | None,
    limits: tuple[float | None, float | None],
    oxygen: bool | None,
    excluded: str | None,
) -> str:
    """Excluded before all others, then no target, then unobserved, then where the reading lies."""
    lower, upper = limits
    if excluded is not None:
        return "excluded"
    if lower is None or upper is None:
        return "no_target"
    if spo2 is None:
        return "unobserved"
    if spo2 < lower:
        return "below"
    if spo2 <= upper:
        return "within"
    if oxygen is None:
        return "above_device_unknown"
    return "above_on_oxygen" if oxygen else "above_on_air"


def band_at(stay: Row, tables: Tables, zone: str, thresholds: Thresholds, at: datetime) -> dict[str, Any]:
    """What band time is added up by at one instant: where the patient is, the target, the evidence and the state."""
    record = device_at(of_stay(tables, "devices", stay), at, thresholds)
    spo2 = spo2_at(of_stay(tables, "readings", stay), at, thresholds)
    limits = target_at(of_stay(tables, "targets", stay), at)
    excluded = exclusion_at(of_stay(tables, "flags", stay), stay, at)
    return {
        "stay_id": stay["stay_id"],
        "patient_key": stay["patient_key"],
        "ward": ward_at(of_stay(tables, "wards", stay), at),
        "month": month_at(zone, at),
        "spo2_percent": spo2,
        "on_oxygen": on_oxygen(record),
        "lower_percent": limits[0],
        "upper_percent": limits[1],
        "excluded": excluded,
        "band_state": band_state(spo2, limits, on_oxygen(record), excluded),
        "retainer": retainer_at(stay, tables, at, thresholds),
    }


def state_at(
    stay: Row, tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds, at: datetime
) -> dict[str, Any]:
    """Everything the timeline says about one stay at one instant."""
    record = device_at(of_stay(tables, "devices", stay), at, thresholds)
    best, low, high = inspired_fractions(record)
    return band_at(stay, tables, zone, thresholds, at) | {
        "site": stay.get("site"),
        "device": record["device"] if record else None,
        "flow_l_min": record["flow_l_min"] if record else None,
        "fio2": best,
        "fio2_low": low,
        "fio2_high": high,
        "retainer_ever": retainer_ever(stay, tables, as_of, thresholds),
    }


# --- walking through a stay ---------------------------------------------------------------------------------


def exact_step(tables: Tables, as_of: datetime, thresholds: Thresholds) -> int:
    """The longest step in seconds that misses no change, 15 minutes at the most.

    Every time in the tables, every carry and every local midnight (offsets are whole quarters of an hour)
    must fall on a multiple of it.
    """
    epoch = datetime(1970, 1, 1)
    step = 15 * 60
    for rows in tables.values():
        for row in rows:
            for value in row.values():
                if isinstance(value, datetime):
                    step = gcd(step, int((value - epoch).total_seconds()))
    step = gcd(step, int((as_of - epoch).total_seconds()))
    for name, value in thresholds.items():
        if name in ("reading_carry_hours", "device_carry_hours"):
            step = gcd(step, round(value * 3600))
        if name.endswith("_minutes"):
            step = gcd(step, round(value * 60))
    return step


def instants(stay: Row, as_of: datetime, step: int) -> Iterator[datetime]:
    """Every instant of the stay, from the admission on; the end itself is not part of it."""
    at, end = window(stay, as_of)
    while at < end:
        yield at
        at += timedelta(seconds=step)


def alone(stay: Row, tables: Tables) -> Tables:
    """The tables cut down to one stay, and the gases of the patient's other stays: only to save time."""
    family = {row["stay_id"] for row in tables["stays"] if row["patient_key"] == stay["patient_key"]}
    return {
        name: [row for row in rows if row["stay_id"] in (family if name in ("stays", "gases") else {stay["stay_id"]})]
        for name, rows in tables.items()
    }


def walked(tables: Tables, only: Collection[str] | None) -> list[dict[str, Any]]:
    return [stay for stay in tables["stays"] if only is None or stay["stay_id"] in only]


def stay_band_time(
    tables: Tables,
    zone: str,
    as_of: datetime,
    thresholds: Thresholds = DEFAULTS,
    step: int = 1,
    only: Collection[str] | None = None,
) -> list[dict[str, Any]]:
    """One row per stay, patient, month, ward, target and retainer status: seconds in each band state.

    `only`: the stays to walk through; all of them by default.
    """
    seconds: dict[tuple[Any, ...], dict[str, int]] = {}
    for stay in walked(tables, only):
        own = alone(stay, tables)
        for at in instants(stay, as_of, step):
            now = band_at(stay, own, zone, thresholds, at)
            key = tuple(now[column] for column in BAND_KEYS)
            row = seconds.setdefault(key, dict.fromkeys(BAND_COLUMNS.values(), 0))
            row[BAND_COLUMNS[now["band_state"]]] += step
    return [dict(zip(BAND_KEYS, key, strict=True)) | row for key, row in seconds.items()]
