"""Who comes, when, how ill, and how their lungs answer: everything about a stay that is settled beforehand."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.hospital import (
    DAY,
    FIRST_DAY,
    HOUR,
    MIDNIGHTS,
    MINUTE,
    PERIOD_END,
    PERIOD_START,
    SPECIALTIES,
    Bools,
    Floats,
    Ints,
    out_of_shut_hour,
)
from synthetic_data.physiology import settled_bicarbonate

MOST_VISITS = 5
LONGEST_DAYS = 27
SHARE_AT_RISK = 0.15
SHARE_RETAINING_OF_AT_RISK = 0.55
STILL_IN_AT_THE_END = 4
AGE_BANDS = ("18-39", "40-49", "50-59", "60-69", "70-79", "80-89", "90+")
# From the quietest to the busiest hour; common practice, no source.
_ADMISSION_HOURS = np.array([3, 2, 2, 1, 1, 1, 2, 3, 5, 6, 7, 8, 8, 8, 8, 8, 8, 7, 7, 6, 6, 5, 5, 4], dtype=float)
_DISCHARGE_HOURS = np.array(
    [1, 1, 1, 1, 1, 1, 1, 2, 4, 7, 12, 14, 14, 14, 14, 13, 11, 9, 6, 4, 3, 2, 1, 1], dtype=float
)


@dataclass(frozen=True)
class Stays:
    """One element a stay, in order of admission. Instants are seconds UTC; pressures kPa; `ratio` is arterial over
    alveolar oxygen on air. `ended` is the discharge, or for an open stay the end of the period."""

    patient: Ints
    admitted: Ints
    ended: Ints
    is_open: Bools
    specialty: Ints
    is_north: Bools
    age: Ints
    is_female: Bools
    at_risk: Bools
    retainer: Bools
    has_airway_disease: Bools
    severity: Ints
    ratio_usual: Floats
    ratio_acute: Floats
    recovery_hours: Floats
    delivery: Floats
    oximeter_bias: Floats
    pco2_usual: Floats
    pco2_acute: Floats
    co2_per_excess: Floats
    bicarbonate: Floats

    @property
    def count(self) -> int:
        return len(self.patient)


def draw_stays(rng: np.random.Generator, count: int) -> Stays:
    """Draw exactly `count` stays of the twelve months, some patients having several."""
    at_risk = rng.random(2 * count + 20) < SHARE_AT_RISK
    patient, admitted, ended = _visits(rng, at_risk)
    chosen = np.flatnonzero((admitted >= PERIOD_START) & (admitted < PERIOD_END - 8 * HOUR))[:count]
    chosen = chosen[np.argsort(admitted[chosen], kind="stable")]
    patient, admitted, ended = patient[chosen], admitted[chosen], ended[chosen]
    ended = _keep_some_in(patient, ended)
    is_open = ended > PERIOD_END
    _discharge_one_at_midnight(ended, is_open)
    return _with_traits(rng, patient, admitted, np.minimum(ended, PERIOD_END), is_open, at_risk)


def _visits(rng: np.random.Generator, at_risk: Bools) -> tuple[Ints, Ints, Ints]:
    """Patient, admission and discharge of every visit, patient by patient, from five months before the year."""
    patients = len(at_risk)
    visits = np.minimum(rng.geometric(np.where(at_risk, 0.68, 0.86)), MOST_VISITS)
    admitted = np.zeros((patients, MOST_VISITS), dtype=np.int64)
    ended = np.zeros_like(admitted)
    last_day = len(MIDNIGHTS) - 1
    days_open = np.arange(FIRST_DAY - 150, FIRST_DAY + 365)
    winter = 1.0 + 0.10 * np.cos((days_open - 15) / 365 * 2 * np.pi)
    day = rng.choice(days_open, size=patients, p=winter / winter.sum())
    for visit in range(MOST_VISITS):
        hour = rng.choice(24, size=patients, p=_ADMISSION_HOURS / _ADMISSION_HOURS.sum())
        admitted[:, visit] = MIDNIGHTS[np.minimum(day, last_day)] + hour * HOUR + rng.integers(0, 60, patients) * MINUTE
        days = np.clip(rng.lognormal(np.log(np.where(at_risk, 5.0, 4.0)), 0.75), 0.3, LONGEST_DAYS - 1)
        hour = rng.choice(24, size=patients, p=_DISCHARGE_HOURS / _DISCHARGE_HOURS.sum())
        leaving_day = np.minimum((day + days).astype(np.int64), last_day)
        leaves = MIDNIGHTS[leaving_day] + hour * HOUR + rng.integers(0, 60, patients) * MINUTE
        soonest = admitted[:, visit] + rng.integers(4 * 60, 14 * 60, patients) * MINUTE
        ended[:, visit] = np.maximum(leaves, soonest)
        day = leaving_day + 2 + rng.exponential(40.0, patients).astype(np.int64)
    took_place = np.arange(MOST_VISITS) < visits[:, None]
    patient = np.broadcast_to(np.arange(patients)[:, None], admitted.shape)
    return patient[took_place], out_of_shut_hour(admitted[took_place]), out_of_shut_hour(ended[took_place])


def _keep_some_in(patient: Ints, ended: Ints) -> Ints:
    """Let the last few admissions (each patient's last) stay beyond the end, so that open stays always occur."""
    _, back = np.unique(patient[::-1], return_index=True)
    last_visits = np.sort(len(patient) - 1 - back)[-STILL_IN_AT_THE_END:]
    kept = ended.copy()
    kept[last_visits] = PERIOD_END + DAY
    return kept


def _discharge_one_at_midnight(ended: Ints, is_open: Bools) -> None:
    """One patient leaves on the stroke of the last midnight: the extract then reaches the end of its last month."""
    one = int(np.flatnonzero(is_open)[-1])
    ended[one], is_open[one] = PERIOD_END, False


def _with_traits(
    rng: np.random.Generator, patient: Ints, admitted: Ints, ended: Ints, is_open: Bools, risk: Bools
) -> Stays:
    patients, stays = len(risk), len(patient)
    retains = risk & (rng.random(patients) < SHARE_RETAINING_OF_AT_RISK)
    sensitive = rng.random(patients) < np.where(retains, 0.65, 0.0)
    airway = np.where(risk, rng.random(patients) < 0.75, rng.random(patients) < 0.15)
    north = rng.random(patients) < 0.68
    age = np.clip(rng.normal(np.where(risk, 70, 67), np.where(risk, 9, 17)), 18, 99).astype(np.int64)
    usual = rng.normal(np.where(retains, 0.655, np.where(risk, 0.70, 0.86)), np.where(risk, 0.045, 0.06))
    pco2 = rng.normal(np.where(retains, 6.9, np.where(risk, 5.4, 5.1)), np.where(retains, 0.6, 0.25))
    pco2 = np.where(retains, np.maximum(pco2, 6.2), np.minimum(pco2, 5.8))
    gain = np.where(sensitive, rng.uniform(0.12, 0.45, patients), 0.02)
    delivery = np.clip(rng.lognormal(0.0, 0.12, patients), 0.7, 1.35)
    female = rng.random(patients) < 0.5

    severity = rng.choice(4, size=stays, p=[0.34, 0.36, 0.22, 0.08])
    severity = np.where(risk[patient], np.maximum(severity, rng.integers(0, 3, stays)), severity)
    drop = np.array([0.02, 0.13, 0.24, 0.36])[severity] * np.where(risk[patient], 0.7, 1.0)
    usual_now = np.clip(usual[patient] + rng.normal(0, 0.015, stays), 0.5, 0.95)
    return Stays(
        patient=patient,
        admitted=admitted,
        ended=ended,
        is_open=is_open,
        specialty=_specialty(rng, north[patient], airway[patient], age[patient]),
        is_north=north[patient],
        age=age[patient],
        is_female=female[patient],
        at_risk=risk[patient],
        retainer=retains[patient],
        has_airway_disease=airway[patient],
        severity=severity,
        ratio_usual=usual_now,
        ratio_acute=np.clip(usual_now - drop + rng.normal(0, 0.035, stays), 0.3, 0.95),
        recovery_hours=rng.lognormal(np.log(40.0), 0.5, stays),
        delivery=delivery[patient],
        oximeter_bias=np.clip(rng.normal(0.0, 0.6, patients), -1.5, 1.5)[patient],
        pco2_usual=pco2[patient],
        pco2_acute=np.where(retains[patient], rng.uniform(0.0, 0.6, stays) * (1 + 0.8 * severity), 0.0),
        co2_per_excess=gain[patient],
        bicarbonate=settled_bicarbonate(pco2)[patient] + rng.normal(0, 1.4, stays),
    )


def _specialty(rng: np.random.Generator, north: Bools, airway: Bools, age: Ints) -> Ints:
    """North: acute and respiratory medicine; South: surgery and older people's medicine."""
    respiratory = rng.random(len(north)) < np.where(airway, 0.65, 0.15)
    older = rng.random(len(north)) < np.where(age >= 75, 0.8, 0.2)
    return np.where(north, respiratory.astype(np.int64), np.where(older, 2, 3))


def age_band(age: Ints) -> list[str]:
    """The band each age falls in, as text."""
    return np.array(AGE_BANDS)[np.searchsorted([40, 50, 60, 70, 80, 90], age, side="right")].tolist()


def specialty_name(specialty: Ints) -> list[str]:
    """The name of each specialty."""
    return np.array(SPECIALTIES)[specialty].tolist()
