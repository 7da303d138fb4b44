"""Prescribed target bands: missing, late, wrong, corrected, replaced and stopped."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.hospital import HOUR, MINUTE, Change, Floats, Ints, out_of_shut_hour
from synthetic_data.patients import Stays

NEVER = 1 << 40

MISSING_AT_FIRST = Change(0.20, 0.06)
MINUTES_TO_PRESCRIBE = Change(110.0, 40.0)  # median
CORRECTED_AFTER_GAS = Change(0.5, 0.85)
USUAL, RISK = (94, 98), (88, 92)
OWN_BANDS = ((92, 96), (90, 94), (85, 90), (94, 96))


@dataclass(frozen=True)
class Targets:
    """One element a prescription, in order of stay and time. `stopped` is `NEVER` where it was not stopped."""

    stay: Ints
    prescribed: Ints
    lower: Ints
    upper: Ints
    stopped: Ints


def prescribe(rng: np.random.Generator, stays: Stays, recognised: np.ndarray, first_gas: Ints) -> Targets:
    """Prescribe for every stay; `recognised`: the risk is seen on admission; `first_gas`: instant or `NEVER`."""
    number = np.arange(stays.count)
    first_at, first_band = _first(rng, stays, recognised)
    second_at, second_band = _second(rng, stays, first_at, first_band, first_gas)
    third_at, third_band = _third(rng, stays, second_at, second_band)
    stay = np.concatenate([number, number, number])
    at = out_of_shut_hour(np.concatenate([first_at, second_at, third_at]))
    band = np.concatenate([first_band, second_band, third_band])
    kept = np.flatnonzero(at < np.where(at < NEVER, stays.ended[stay] - 20 * MINUTE, 0))
    kept = kept[np.lexsort((at[kept], stay[kept]))]
    stay, at, band = stay[kept], at[kept], band[kept]
    fresh = np.append(True, (stay[1:] != stay[:-1]) | (at[1:] != at[:-1]))
    stay, at, band = stay[fresh], at[fresh], band[fresh]
    return Targets(stay, at, band[:, 0], band[:, 1], _stops(rng, stays, stay, at))


def _first(rng: np.random.Generator, stays: Stays, recognised: np.ndarray) -> tuple[Ints, Ints]:
    count = stays.count
    minutes = rng.lognormal(np.log(MINUTES_TO_PRESCRIBE.at(stays.admitted)), 0.9)
    missing = rng.random(count) < MISSING_AT_FIRST.at(stays.admitted)
    comes_late = rng.random(count) < 0.6
    late_minutes = rng.uniform(8 * 60, 60 * 60, count)
    minutes = np.where(missing, np.where(comes_late, late_minutes, 1e9), minutes)
    at_once = rng.random(count) < 0.05
    minutes = np.where(at_once & ~missing, 0, minutes)
    at = np.where(minutes < 1e8, stays.admitted + minutes.astype(np.int64) * MINUTE, NEVER)
    band = np.where(recognised[:, None], RISK, USUAL)
    own = rng.random(count) < 0.04
    which = np.where(recognised, rng.integers(1, 3, count), np.array([0, 1, 3])[rng.integers(0, 3, count)])
    return at, np.where(own[:, None], np.array(OWN_BANDS)[which], band)


def _second(
    rng: np.random.Generator, stays: Stays, first_at: Ints, first_band: Ints, first_gas: Ints
) -> tuple[Ints, Ints]:
    """After the first gas: 88-92 where it shows retention, sometimes 94-98 where it does not."""
    count = stays.count
    has_gas = first_gas < NEVER
    basis = np.where(has_gas, np.maximum(first_gas, np.minimum(first_at, first_gas + HOUR)), 0)
    at = basis + rng.integers(40, 14 * 60, count) * MINUTE
    chance = rng.random(count)
    to_risk = has_gas & stays.retainer & (first_band[:, 1] > 92) & (chance < CORRECTED_AFTER_GAS.at(first_gas))
    to_usual = has_gas & ~stays.retainer & (first_band[:, 1] <= 92) & (chance < 0.3)
    band = np.where(to_risk[:, None], RISK, USUAL)
    return np.where(to_risk | to_usual, at, NEVER), band


def _third(rng: np.random.Generator, stays: Stays, second_at: Ints, second_band: Ints) -> tuple[Ints, Ints]:
    """A few prescriptions are rewritten during the stay: most to the same band, some to the wrong one."""
    count = stays.count
    at = stays.admitted + (rng.uniform(0.2, 0.9, count) * (stays.ended - stays.admitted)).astype(np.int64) // 60 * 60
    rewritten = rng.random(count) < 0.07
    low = np.where(second_at < at, second_band[:, 1] <= 92, stays.retainer)
    wrong = rng.random(count) < 0.2
    band = np.where((low ^ wrong)[:, None], RISK, USUAL)
    return np.where(rewritten, at, NEVER), band


def _stops(rng: np.random.Generator, stays: Stays, stay: Ints, at: Ints) -> Ints:
    """When each prescription is stopped: when the next is written (half of them), early, or never."""
    followed = np.append(stay[1:] == stay[:-1], False)
    following = np.where(followed, np.append(at[1:], NEVER), NEVER)
    stopped = np.where(followed & (rng.random(len(at)) < 0.5), following, NEVER)
    left = np.where(followed, following, stays.ended[stay]) - at
    early = at + np.maximum((rng.uniform(0.3, 0.95, len(at)) * left).astype(np.int64) // 60 * 60, MINUTE)
    ends_early = rng.random(len(at)) < 0.06
    stopped = np.where(ends_early, out_of_shut_hour(early), stopped)
    return np.where(stopped >= stays.ended[stay], NEVER, stopped)


def target_in_force(targets: Targets, stay: Ints, at: Ints) -> tuple[Ints, Ints]:
    """Limits in force at each instant: the latest prescription at or before, unless stopped by then; 0 where none."""
    keys = targets.stay * NEVER + targets.prescribed
    latest = np.searchsorted(keys, stay * NEVER + at, side="right") - 1
    safe = np.maximum(latest, 0)
    valid = (latest >= 0) & (targets.stay[safe] == stay) & (targets.stopped[safe] > at)
    return np.where(valid, targets.lower[safe], 0), np.where(valid, targets.upper[safe], 0)


def recognised_on_admission(rng: np.random.Generator, stays: Stays) -> np.ndarray:
    """Whose risk is seen on admission; a few patients without any are taken to be at risk."""
    seen = rng.random(stays.count) < Change(0.72, 0.90).at(stays.admitted)
    mistaken: Floats = rng.random(stays.count)
    return np.where(stays.at_risk, seen, mistaken < np.where(stays.has_airway_disease, 0.06, 0.008))
