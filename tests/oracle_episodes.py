"""The slow second answer for episodes of high inspired oxygen: group the high instants of a stay, then look around.

Written from the definitions only, like `tests/oracle.py`, which says what holds at each instant.
"""

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any

from tests.oracle import (
    DEFAULTS,
    Row,
    Tables,
    Thresholds,
    alone,
    band_state,
    device_at,
    exclusion_at,
    inspired_fractions,
    instants,
    of_stay,
    retainer_ever,
    state_at,
    target_at,
    walked,
    window,
)


def high_fio2_episodes(
    tables: Tables,
    zone: str,
    as_of: datetime,
    thresholds: Thresholds = DEFAULTS,
    step: int = 1,
    only: Collection[str] | None = None,
) -> list[dict[str, Any]]:
    """One row per episode, in stays with any evidence of CO2 retention at any time in the stay.

    `only`: the stays to walk through; all of them by default.
    """
    episodes: list[dict[str, Any]] = []
    for stay in walked(tables, only):
        own = alone(stay, tables)
        if retainer_ever(stay, own, as_of, thresholds) is None:
            continue
        high = [
            (at, state_at(stay, own, zone, as_of, thresholds, at))
            for at in instants(stay, as_of, step)
            if is_high_at(stay, own, thresholds, at)
        ]
        for group in joined_stretches(high, step, thresholds):
            if len(group) * step >= thresholds["episode_min_minutes"] * 60:
                episodes.append(episode(stay, own, as_of, thresholds, group, step))
    return episodes


def is_high_at(stay: Row, tables: Tables, thresholds: Thresholds, at: datetime) -> bool:
    """Unknown inspired oxygen and excluded time are never high."""
    best, _, _ = inspired_fractions(device_at(of_stay(tables, "devices", stay), at, thresholds))
    excluded = exclusion_at(of_stay(tables, "flags", stay), stay, at)
    return excluded is None and best is not None and best > thresholds["high_fio2_above"]


Instants = list[tuple[datetime, dict[str, Any]]]


def joined_stretches(high: Instants, step: int, thresholds: Thresholds) -> list[Instants]:
    """High instants in groups: a gap up to the join time does not part them, a longer one does."""
    groups: list[Instants] = []
    for at, now in high:
        gap = at - (groups[-1][-1][0] + timedelta(seconds=step)) if groups else None
        if gap is not None and gap <= timedelta(minutes=thresholds["episode_join_minutes"]):
            groups[-1].append((at, now))
        else:
            groups.append([(at, now)])
    return groups


def episode(
    stay: Row, tables: Tables, as_of: datetime, thresholds: Thresholds, high: Instants, step: int
) -> dict[str, Any]:
    """All columns of one episode; `high` holds its high instants, gaps left out."""
    start, first = high[0]
    end = high[-1][0] + timedelta(seconds=step)
    fractions = [now["fio2"] for _, now in high]
    return (
        {
            "stay_id": stay["stay_id"],
            "started_at": start,
            "ended_at": end,
            "high_s": len(high) * step,
            "peak_fio2": max(fractions),
            "mean_fio2": sum(fractions) / len(fractions),
            "device_at_peak": next(now["device"] for _, now in high if now["fio2"] == max(fractions)),
            "ward": first["ward"],
            "lower_percent": first["lower_percent"],
            "upper_percent": first["upper_percent"],
            "retainer_at_start": first["retainer"],
            "retainer_ever": first["retainer_ever"],
        }
        | {
            f"{state}_s": step * sum(now["band_state"] == state for _, now in high)
            for state in ("below", "within", "above_on_oxygen", "unobserved")
        }
        | saturation_between(stay, tables, start, end)
        | gases_around(stay, tables, as_of, thresholds, start)
    )


def saturation_between(stay: Row, tables: Tables, start: datetime, end: datetime) -> dict[str, Any]:
    """What every reading taken from the start to before the end says, gaps and excluded time included."""
    readings = [row for row in of_stay(tables, "readings", stay) if start <= row["taken_at"] < end]
    judged = []
    for reading in readings:
        lower, upper = target_at(of_stay(tables, "targets", stay), reading["taken_at"])
        if lower is not None and upper is not None:
            judged.append(band_state(reading["spo2_percent"], (lower, upper), None, None))
    if "above_device_unknown" in judged:
        during = "above"
    elif "below" in judged:
        during = "below"
    else:
        during = "within" if judged else "none"
    values = [row["spo2_percent"] for row in readings]
    return {
        "spo2_min": min(values, default=None),
        "spo2_max": max(values, default=None),
        "saturation_during": during,
    }


def gases_around(stay: Row, tables: Tables, as_of: datetime, thresholds: Thresholds, start: datetime) -> dict[str, Any]:
    """The last arterial or capillary gas at or before the start and the first after it, both within the stay."""
    opens, closes = window(stay, as_of)
    gases = [
        row
        for row in of_stay(tables, "gases", stay)
        if row["sample_type"] in ("arterial", "capillary") and opens <= row["taken_at"] < closes
    ]
    none: dict[str, Any] = {"taken_at": None, "pco2_kpa": None, "ph": None}
    before = max((g for g in gases if g["taken_at"] <= start), key=lambda g: g["taken_at"], default=none)
    after = min((g for g in gases if g["taken_at"] > start), key=lambda g: g["taken_at"], default=none)
    minutes = None if after is none else (after["taken_at"] - start).total_seconds() / 60
    return {
        "gas_before_at": before["taken_at"],
        "gas_before_pco2_kpa": before["pco2_kpa"],
        "gas_before_ph": before["ph"],
        "gas_after_at": after["taken_at"],
        "gas_after_pco2_kpa": after["pco2_kpa"],
        "gas_after_ph": after["ph"],
        "gas_after_minutes": minutes,
        "repeat_gas_in_time": minutes is not None and minutes <= thresholds["repeat_gas_minutes"],
        "acidosis_after": acidosis(after, thresholds),
    }


def acidosis(gas: Row, thresholds: Thresholds) -> bool | None:
    """Low pH together with CO2 retention; null without a pH, or when only the CO2 would decide and is missing."""
    if gas["ph"] is None:
        return None
    if gas["ph"] >= thresholds["acidosis_ph_below"]:
        return False
    if gas["pco2_kpa"] is None:
        return None
    return bool(gas["pco2_kpa"] > thresholds["retainer_pco2_above_kpa"])
