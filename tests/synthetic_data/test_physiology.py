"""The simulation's own physiology and calendar against published values."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from synthetic_data import hospital
from synthetic_data.bedside import breathe
from synthetic_data.grid import make_grid
from synthetic_data.nursing import saturation_score
from synthetic_data.oxygen import BEST, NUMBER
from synthetic_data.patients import draw_stays
from synthetic_data.physiology import (
    alveolar_po2_kpa,
    arterial_po2_kpa,
    ph,
    saturation_percent,
    settled_bicarbonate,
    true_inspired_fraction,
)
from synthetic_data.state import NEVER_CELL, start

MMHG = 1 / 7.50062  # kPa, SI


@pytest.mark.parametrize(
    ("po2_mmhg", "measured"),
    # Severinghaus, J Appl Physiol 1979;46:599-602, table 1 (measured standard curve).
    [(20, 32.12), (30, 57.54), (40, 74.69), (50, 85.08), (60, 90.85), (80, 95.84), (100, 97.49), (150, 98.77)],
)
def test_saturation_follows_the_measured_curve(po2_mmhg: float, measured: float) -> None:
    assert float(saturation_percent(np.array([po2_mmhg * MMHG]))[0]) == pytest.approx(measured, abs=0.6)


def test_alveolar_oxygen_on_air() -> None:
    # Physiology texts: 21 % at sea level with PaCO2 40 mmHg leaves about 99.7 mmHg in the alveoli.
    assert float(alveolar_po2_kpa(np.array([0.21]), np.array([40 * MMHG]))[0]) == pytest.approx(99.7 * MMHG, abs=0.05)


@pytest.mark.parametrize(
    ("pco2_mmhg", "bicarbonate", "expected"),
    # Worked examples of a physiology text: acute and chronic hypercapnia at 70 mmHg; normal at 40.
    [(40, 24, 7.40), (70, 24, 7.16), (70, 36, 7.33)],
)
def test_ph_by_henderson_hasselbalch(pco2_mmhg: float, bicarbonate: float, expected: float) -> None:
    assert float(ph(np.array([pco2_mmhg * MMHG]), np.array([bicarbonate]))[0]) == pytest.approx(expected, abs=0.006)


def test_lasting_hypercapnia_is_compensated() -> None:
    # Narins and Emmett, quoted in HK Pract 2005 table 3: 3.5 mmol/L per 10 mmHg; other texts give 3-4.
    rise = settled_bicarbonate(np.array([60 * MMHG])) - settled_bicarbonate(np.array([40 * MMHG]))
    assert float(rise[0]) == pytest.approx(7.0, abs=1.0)


def test_from_24_to_28_percent_arterial_oxygen_rises_as_measured() -> None:
    # Seven patients in acute on chronic failure, Br Med J: PaO2 +11 mmHg at 24.5 %, +21 mmHg at 28 %.
    ratio, pco2 = np.array([0.55]), np.array([7.0])
    at = [float(arterial_po2_kpa(np.array([f]), pco2, ratio)[0]) for f in (0.24, 0.28)]
    assert (at[1] - at[0]) / MMHG == pytest.approx(10, abs=2)


def test_entrainment_masks_deliver_near_the_printed_concentration() -> None:
    # Jones, Lancet 1984;1:1427-31: within -1.2 to +1.9 points at 24-40 %.
    for delivery in (0.7, 1.0, 1.35):
        for name, printed in (("valve 24", 0.24), ("valve 28", 0.28), ("valve 40", 0.40)):
            best = np.array([BEST[NUMBER[name]]])
            true = float(true_inspired_fraction(best, np.array([True]), np.array([delivery]))[0])
            assert -0.012 <= true - printed <= 0.019


def test_too_much_oxygen_raises_co2_in_some_retainers_and_in_nobody_else() -> None:
    """The same patients breathe 28 % and then, in a second run with the same chances, a reservoir mask for an hour."""
    stays = draw_stays(np.random.default_rng(2), 2000)
    grid = make_grid(stays)
    nobody, never = np.zeros(stays.count, dtype=bool), np.full(stays.count, NEVER_CELL)
    after_an_hour = []
    for name in ("valve 28", "reservoir 15"):
        people = start(np.random.default_rng(3), stays, grid, np.arange(stays.count), nobody, never)
        people.setting[:] = NUMBER[name]
        rng = np.random.default_rng(4)
        for _ in range(6):
            breathe(rng, people, stays.count, nobody)
        after_an_hour.append(people.pco2.copy())
    rise = after_an_hour[1] - after_an_hour[0]
    assert np.abs(rise[~stays.retainer]).max() < 0.2
    # A rise of 0.53 kPa (4 mmHg) within the hour defines oxygen-induced hypercapnia in trials; of patients with
    # pneumonia on high-flow oxygen half had it (Wijesinghe, JRSM 2012: 36 of 72).
    assert 0.3 < (rise[stays.retainer] >= 0.53).mean() < 0.8
    assert rise.max() < 3.0


@pytest.mark.parametrize(
    ("spo2", "on_oxygen", "scale_two", "score"),
    # Royal College of Physicians, NEWS2 (2017), chart 1.
    [
        (89, True, False, 3),
        (89, True, True, 0),
        (97, True, False, 0),
        (97, True, True, 3),
        (97, False, True, 0),
        (93, True, True, 1),
        (92, True, True, 0),
        (87, False, True, 1),
        (83, False, True, 3),
        (96, False, False, 0),
        (95, False, False, 1),
    ],
)
def test_saturation_score(spo2: float, on_oxygen: bool, scale_two: bool, score: int) -> None:
    given = saturation_score(np.array([float(spo2)]), np.array([on_oxygen]), np.array([scale_two]))
    assert int(given[0]) == score


def test_the_shut_hour_is_the_second_pass_of_the_repeated_hour() -> None:
    zone = ZoneInfo(hospital.ZONE)
    first = datetime.fromtimestamp(hospital.CHARTING_SHUT_FROM, UTC).astimezone(zone)
    assert (first.replace(tzinfo=None), first.fold) == (datetime(2025, 10, 26, 1, 0), 1)
    assert hospital.CHARTING_SHUT_TO - hospital.CHARTING_SHUT_FROM == 3600


def test_local_hours_months_and_weekends_agree_with_the_tz_database() -> None:
    zone = ZoneInfo(hospital.ZONE)
    rng = np.random.default_rng(1)
    instants = rng.integers(hospital.PERIOD_START, hospital.PERIOD_END, 400)
    local = [datetime.fromtimestamp(int(at), UTC).astimezone(zone) for at in instants]
    months = [hospital.MONTHS[place] for place in hospital.month_index(instants)]
    assert months == [time.strftime("%Y-%m") for time in local]
    assert hospital.is_weekend(instants).tolist() == [time.weekday() >= 5 for time in local]
    changing = {"2025-10-26", "2026-03-29"}
    for at, time in zip(hospital.local_hour(instants).tolist(), local, strict=True):
        if time.strftime("%Y-%m-%d") not in changing:
            assert at == pytest.approx(time.hour + time.minute / 60 + time.second / 3600, abs=1e-9)
