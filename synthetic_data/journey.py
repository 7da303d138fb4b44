"""The way through the hospital, settled before the bedside runs: ward moves, theatre, critical care, nebulisers."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.hospital import (
    ALDER,
    BIRCH,
    CRITICAL_CARE,
    DAY,
    HAZEL,
    HOUR,
    MINUTE,
    RESPIRATORY,
    ROWAN,
    SURGERY,
    WILLOW,
    Bools,
    Change,
    Ints,
    local_hour,
    out_of_shut_hour,
)
from synthetic_data.oxygen import NUMBER
from synthetic_data.patients import Stays
from synthetic_data.prescribing import NEVER

GAS_ON_ADMISSION = Change(0.72, 0.88)
DRIVEN_BY_OXYGEN_AT_RISK = Change(0.26, 0.05)
DRIVEN_BY_OXYGEN_OTHERWISE = Change(0.50, 0.40)


@dataclass(frozen=True)
class Moves:
    """One element a ward entered, in order of stay and time."""

    stay: Ints
    ward: Ints
    entered: Ints


@dataclass(frozen=True)
class Exclusions:
    """One element a span `[started, ended)` that the audit leaves out; `charted_end`: its end was noted."""

    stay: Ints
    flag: list[str]
    started: Ints
    ended: Ints
    charted_end: Bools


@dataclass(frozen=True)
class Planned:
    """One element a change of device that follows from the journey: to `setting` at `at`."""

    stay: Ints
    at: Ints
    setting: Ints


def critical_care_spells(rng: np.random.Generator, stays: Stays) -> tuple[Ints, Ints]:
    """When each stay enters and leaves critical care; `NEVER` where it does not."""
    chance = np.array([0.0, 0.006, 0.05, 0.22])[stays.severity]
    goes = stays.is_north & (rng.random(stays.count) < chance)
    enters = stays.admitted + rng.integers(2 * 60, 40 * 60, stays.count) * MINUTE
    goes &= enters < stays.ended - 6 * HOUR
    leaves = enters + rng.integers(18 * 60, 90 * 60, stays.count) * MINUTE
    return np.where(goes, out_of_shut_hour(enters), NEVER), np.where(goes, out_of_shut_hour(leaves), NEVER)


def ward_moves(rng: np.random.Generator, stays: Stays, enters: Ints, leaves: Ints) -> Moves:
    """Every ward entered; a twentieth of the patients reach their first ward some time after admission."""
    count = stays.count
    roll = rng.random((4, count))
    respiratory = stays.specialty == RESPIRATORY
    settled_ward = np.where(respiratory, BIRCH, HAZEL)
    first_north = np.where(roll[0] < 0.72, ALDER, settled_ward)
    first_south = np.where(stays.specialty == SURGERY, WILLOW, ROWAN)
    first = np.where(stays.is_north, first_north, first_south)
    late = np.where((roll[1] < 0.05) & (enters == NEVER), rng.integers(30, 240, count), 0)
    moves_on = np.where(stays.is_north, (first == ALDER) & (roll[2] < 0.8), roll[2] < 0.15)
    second = np.where(stays.is_north, settled_ward, np.where(first == WILLOW, ROWAN, WILLOW))
    hours = np.where(stays.is_north, rng.integers(10 * 60, 50 * 60, count), rng.integers(24 * 60, 96 * 60, count))
    second_at = np.where(moves_on & (enters == NEVER), stays.admitted + hours * MINUTE, NEVER)
    at = np.concatenate([stays.admitted + late * MINUTE, second_at, enters, leaves])
    ward = np.concatenate([first, second, np.full(count, CRITICAL_CARE), settled_ward])
    stay = np.tile(np.arange(count), 4)
    at = out_of_shut_hour(at)
    kept = np.flatnonzero(at < stays.ended[stay] - 10 * MINUTE)
    kept = kept[np.lexsort((at[kept], stay[kept]))]
    return Moves(stay[kept], ward[kept], at[kept])


def exclusions(rng: np.random.Generator, stays: Stays, enters: Ints, leaves: Ints) -> Exclusions:
    """Critical care, theatre, end-of-life care, resuscitation, and two illnesses treated with high oxygen."""
    count = stays.count
    length = stays.ended - stays.admitted
    roll = rng.random((5, count))
    minutes = rng.random((5, count))
    somewhere = stays.admitted + (rng.uniform(0.05, 0.9, count) * length).astype(np.int64) // MINUTE * MINUTE
    theatre = stays.admitted + (6 * 60 + minutes[0] * 60 * 60).astype(np.int64) * MINUTE
    last_days = stays.ended - np.minimum(length // 2, (12 + minutes[1] * 60).astype(np.int64) * HOUR)
    planned = {
        "critical_care": (enters, leaves, enters < NEVER),
        "theatre": (
            theatre,
            theatre + (90 + minutes[2] * 200).astype(np.int64) * MINUTE,
            (stays.specialty == SURGERY) & (roll[0] < 0.5),
        ),
        "end_of_life_care": (
            last_days // MINUTE * MINUTE,
            stays.ended,
            ~stays.is_open & (roll[1] < np.array([0.01, 0.015, 0.04, 0.12])[stays.severity]),
        ),
        "resuscitation": (
            somewhere,
            somewhere + (15 + minutes[3] * 45).astype(np.int64) * MINUTE,
            roll[2] < 0.008,
        ),
        "carbon_monoxide_poisoning": (stays.admitted, stays.admitted + DAY, roll[3] < 0.003),
        "pneumothorax_high_oxygen": (stays.admitted + HOUR, stays.admitted + 2 * DAY, roll[4] < 0.006),
    }
    stay = np.tile(np.arange(count), len(planned))
    flag = np.repeat(list(planned), count)
    started = out_of_shut_hour(np.concatenate([span[0] for span in planned.values()]))
    ended = out_of_shut_hour(np.concatenate([span[1] for span in planned.values()]))
    happens = np.concatenate([span[2] for span in planned.values()])
    kept = np.flatnonzero(happens & (started < stays.ended[stay] - 10 * MINUTE))
    stay, flag, started = stay[kept], flag[kept], started[kept]
    ended = np.minimum(ended[kept], stays.ended[stay])
    charted = (ended < stays.ended[stay]) | (rng.random(len(kept)) < 0.4)
    charted &= ~((flag == "end_of_life_care") | stays.is_open[stay] & (ended == stays.ended[stay]))
    return Exclusions(stay, flag.tolist(), started, ended, charted)


def planned_devices(rng: np.random.Generator, stays: Stays, enters: Ints, leaves: Ints, spans: Exclusions) -> Planned:
    """Changes of device on entering and leaving critical care and on coming back from theatre."""
    count = stays.count
    on_entry = np.array([NUMBER[name] for name in ("ventilator 40", "high flow 60", "cpap 40", "high flow 40")])
    entry = np.where(stays.retainer, NUMBER["bilevel 28"], on_entry[rng.integers(0, 4, count)])
    on_exit = np.array([NUMBER[name] for name in ("cannula 4", "cannula 2", "valve 35", "valve 28")])
    leaving = on_exit[rng.integers(0, 4, count)]
    from_theatre = np.flatnonzero(np.array(spans.flag) == "theatre")
    back = np.array([NUMBER[name] for name in ("mask 6", "cannula 4", "cannula 2", "cannula 2")])
    number = np.arange(count)
    stay = np.concatenate([number, number, spans.stay[from_theatre]])
    at = np.concatenate([enters, leaves, spans.ended[from_theatre]])
    setting = np.concatenate([entry, leaving, back[rng.integers(0, 4, len(from_theatre))]])
    kept = at < stays.ended[stay] - 20 * MINUTE
    return Planned(stay[kept], at[kept], setting[kept])


def nebulisers(rng: np.random.Generator, stays: Stays, recognised: Bools) -> tuple[Ints, Ints]:
    """Stay and start of every oxygen-driven nebuliser; those driven by air leave no trace and are not kept.

    Most come in the first days of an airway illness, nearly all by day.
    """
    days = (stays.ended - stays.admitted) / DAY
    wanted = np.where(
        stays.has_airway_disease, 5.0 * np.minimum(days, 2.5), np.where(rng.random(stays.count) < 0.06, 3, 0)
    )
    stay = np.repeat(np.arange(stays.count), rng.poisson(wanted))
    at = stays.admitted[stay] + (rng.exponential(30.0, len(stay)) * HOUR).astype(np.int64) // MINUTE * MINUTE
    driven = np.where(recognised[stay], DRIVEN_BY_OXYGEN_AT_RISK.at(at), DRIVEN_BY_OXYGEN_OTHERWISE.at(at))
    by_day = (local_hour(at) >= 6) & (local_hour(at) < 23) | (rng.random(len(stay)) < 0.1)
    kept = np.flatnonzero((rng.random(len(stay)) < driven) & by_day & (at < stays.ended[stay] - HOUR))
    kept = kept[np.lexsort((at[kept], stay[kept]))]
    return stay[kept], out_of_shut_hour(at[kept])


def first_gases(rng: np.random.Generator, stays: Stays) -> Ints:
    """When the gas on admission is taken, or `NEVER`."""
    chance = np.where(
        stays.at_risk, GAS_ON_ADMISSION.at(stays.admitted), np.array([0.05, 0.15, 0.45, 0.8])[stays.severity]
    )
    minutes = np.minimum(rng.lognormal(np.log(55), 0.9, stays.count), 600).astype(np.int64)
    at = out_of_shut_hour(stays.admitted + minutes * MINUTE)
    taken = (rng.random(stays.count) < chance) & (at < stays.ended - HOUR)
    return np.where(taken, at, NEVER)
