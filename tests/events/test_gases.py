"""What each gas says, on stays worked out by hand and on published worked examples put through the whole table.

Minutes count from the admission. 1 mmHg = 0.133322 kPa (NIST SP 811).
"""

from dataclasses import replace
from typing import Any

import pytest

from pipeline.events.gases import GAS_COLUMNS, gas_findings
from tests.charts import Record, chart, device, flag, gas, reading, target, together, ward
from tests.events.batches import POLICY, only, rows_of

MMHG = 0.133322387415


def findings(*records: Record, minutes: int = 600) -> list[dict[str, Any]]:
    return rows_of(gas_findings, chart(minutes, *records))


def finding(*records: Record) -> dict[str, Any]:
    return only(findings(*records))


def test_what_was_in_force_stands_beside_the_gas() -> None:
    row = finding(
        ward(0, "Ash"), target(0), device(0, "nasal_cannula", flow=2), reading(50, 91), gas(60, 8.0, 7.30, po2_kpa=8.0)
    )
    assert tuple(row) == GAS_COLUMNS
    known = {name: row[name] for name in ("stay_id", "ward", "month", "taken_at", "excluded", "sample_type", "device")}
    assert known == {
        "stay_id": "s",
        "ward": "Ash",
        "month": "2026-01",
        "taken_at": 60,
        "excluded": None,
        "sample_type": "arterial",
        "device": "nasal_cannula",
    }
    # The gas itself is evidence from its own instant on; it is as charted.
    assert (row["retainer"], row["ph"], row["pco2_kpa"], row["po2_kpa"]) == ("gas", 7.30, 8.0, 8.0)
    assert (row["flow_l_min"], row["fio2"], row["fio2_low"], row["fio2_high"]) == (2, 0.28, 0.24, 0.32)


def test_a_gas_at_the_instant_of_a_change_lies_under_what_begins_there() -> None:
    row = finding(
        ward(0, "Ash"),
        ward(60, "Birch"),
        device(0, "nasal_cannula", flow=1),
        device(60, "simple_mask", flow=5),
        flag(60, "theatre", until=90),
        gas(60, 5.0, 7.4),
    )
    assert (row["ward"], row["device"], row["fio2"], row["excluded"]) == ("Birch", "simple_mask", 0.40, "theatre")


def test_a_gas_before_or_after_the_stay_has_no_row() -> None:
    inside = findings(gas(-1, 5.0), gas(0, 5.1), gas(59, 5.2), gas(60, 5.3), minutes=60)
    assert [row["taken_at"] for row in inside] == [0, 59]
    # Nor does it fall into another stay.
    stays = [chart(60, gas(70, 5.0), stay_id="a"), chart(200, stay_id="b", patient_key="q")]
    assert rows_of(gas_findings, together(stays)) == []


# --- acid and base ------------------------------------------------------------------------------------------


def test_bicarbonate_is_derived_where_none_is_charted() -> None:
    """Physiology textbook: pCO2 70 mmHg and bicarbonate 24 go with pH 7.16, chronic 36 with 7.33."""
    derived = finding(gas(0, 70 * MMHG, 7.158))
    assert derived["bicarbonate_mmol_l"] == pytest.approx(24, abs=0.05)
    assert derived["bicarbonate_derived"] is True
    assert finding(gas(0, 70 * MMHG, 7.334))["bicarbonate_mmol_l"] == pytest.approx(36, abs=0.05)
    charted = finding(gas(0, 70 * MMHG, 7.158, bicarbonate_mmol_l=27.0))
    assert (charted["bicarbonate_mmol_l"], charted["bicarbonate_derived"]) == (27.0, False)
    none = finding(gas(0, 9.0, None))
    assert (none["bicarbonate_mmol_l"], none["bicarbonate_derived"], none["base_excess_mmol_l"]) == (None, None, None)


@pytest.mark.parametrize(("ph", "nmol_l"), [(7.00, 100), (7.26, 55.0), (7.35, 44.7), (7.40, 39.8), (7.60, 25.1)])
def test_hydrogen_ion_as_tables_give_it(ph: float, nmol_l: float) -> None:
    """H = 10 to the power of (9 - pH): table of the powers."""
    assert finding(gas(0, 5.0, ph))["hydrogen_ion_nmol_l"] == pytest.approx(nmol_l, abs=0.05)


def test_a_normal_gas_has_a_base_excess_of_nought() -> None:
    """pH 7.40, pCO2 40 mmHg, bicarbonate 24.4 by the Van Slyke equation's own reference point."""
    assert finding(gas(0, 40 * MMHG, 7.40, bicarbonate_mmol_l=24.4))["base_excess_mmol_l"] == 0


@pytest.mark.parametrize(
    ("pco2", "ph", "bicarbonate", "pattern"),
    [
        (6.0, 7.20, 20.0, "no_retention"),
        (6.01, 7.349, 25.0, "acute"),
        (8.0, 7.30, 31.0, "acute_on_chronic"),
        (8.0, 7.30, 20.0, "mixed"),
        (8.0, 7.35, 33.0, "compensated"),
        (6.5, 7.36, 27.0, "bicarbonate_not_raised"),
        (6.5, 7.48, 36.0, "alkalosis"),
        (None, 7.30, 31.0, "unknown"),
        # Worked example of a teaching text: 60 mmHg with bicarbonate 26 is acute, with 31 chronic; by
        # Henderson-Hasselbalch pH 7.26 and 7.33.
        (60 * MMHG, 7.26, 26.0, "acute"),
        (60 * MMHG, 7.33, 31.0, "acute_on_chronic"),
    ],
)
def test_patterns_of_single_gases(pco2: float | None, ph: float, bicarbonate: float, pattern: str) -> None:
    """Thresholds 6.0 kPa, 7.35, 28 and 30 mmol/L: British Thoracic Society and Intensive Care Society (2016)."""
    row = finding(gas(0, pco2, ph, bicarbonate_mmol_l=bicarbonate))
    assert (row["pattern"], row["venous_screen"]) == (pattern, None)


@pytest.mark.parametrize(
    ("pco2", "screen"), [(6.0, "retention_unlikely"), (6.01, "cannot_tell"), (None, "cannot_tell")]
)
def test_a_venous_gas_has_a_screen_and_no_pattern(pco2: float | None, screen: str) -> None:
    """Kelly, J Emerg Med 2005: up to 45 mmHg (6.0 kPa) arterial retention is unlikely."""
    row = finding(gas(0, pco2, 7.30, sample_type="venous", po2_kpa=5.0))
    assert (row["pattern"], row["venous_screen"], row["retainer"]) == (None, screen, None)


# --- oxygen -------------------------------------------------------------------------------------------------


def test_alveolar_gas_on_air_as_in_the_workbook() -> None:
    """On air with pCO2 40 mmHg the alveolar pO2 is 99.7 mmHg; an arterial 90 mmHg leaves 9.7 mmHg (1.29 kPa).

    The ratio: 90 mmHg / 0.21 = 12.0 kPa / 0.21 = 57.1 kPa.
    """
    row = finding(device(0, "room_air"), gas(10, 40 * MMHG, 7.40, po2_kpa=90 * MMHG))
    assert row["alveolar_arterial_kpa"] == pytest.approx(9.73 * MMHG, abs=0.005)
    assert row["po2_fio2_ratio_kpa"] == pytest.approx(57.14, abs=0.01)


@pytest.mark.parametrize("sample", ["capillary", "venous"])
def test_only_an_arterial_po2_is_used(sample: str) -> None:
    row = finding(device(0, "room_air"), reading(10, 90), gas(10, 6.5, 7.38, sample_type=sample, po2_kpa=8.0))
    names = (
        "po2_kpa",
        "po2_fio2_ratio_kpa",
        "alveolar_arterial_kpa",
        "expected_saturation_percent",
        "oximeter_agreement",
    )
    assert {row[name] for name in names} == {None}
    assert row["spo2_percent"] == 90


def fractions(*records: Record) -> tuple[float | None, float | None, float | None]:
    row = finding(*records)
    return row["fio2"], row["fio2_low"], row["fio2_high"]


def test_the_fraction_noted_with_the_gas_counts_before_the_estimate() -> None:
    noted = gas(10, 6.5, 7.38, fio2_fraction=0.35)
    assert fractions(device(0, "nasal_cannula", flow=2), noted) == (0.35, 0.35, 0.35)
    # Even where the chart still says air, or nothing.
    assert fractions(device(0, "room_air"), noted) == (0.35, 0.35, 0.35)
    assert fractions(noted) == (0.35, 0.35, 0.35)
    # On a valve it is the printed concentration, whose range is 1.5 points down and 2 up (Jones, Lancet 1984).
    assert fractions(device(0, "air_entrainment_mask", flow=8, fio2=0.28), noted) == (0.35, 0.335, 0.37)
    assert fractions(device(0, "air_entrainment_mask", flow=8), noted) == (0.35, 0.335, 0.37)


def test_without_a_note_the_estimate_counts_and_nothing_is_known_without_a_device() -> None:
    plain = gas(10, 6.5, 7.38, po2_kpa=8.0)
    assert fractions(device(0, "simple_mask", flow=5), plain) == (0.40, 0.30, 0.60)
    row = finding(plain)
    assert (row["fio2"], row["po2_fio2_ratio_kpa"], row["alveolar_arterial_kpa"]) == (None, None, None)


# --- the oximeter beside the gas ----------------------------------------------------------------------------


@pytest.mark.parametrize(("po2", "saturation"), [(8.0, 90.58), (10.0, 94.88), (13.3, 97.73), (60 * MMHG, 90.58)])
def test_expected_saturation_as_published(po2: float, saturation: float) -> None:
    """Severinghaus, J Appl Physiol 1979;46:599-602: at pH 7.40 and pCO2 40 mmHg; 60 mmHg (8.0 kPa) gives 90.58 %."""
    row = finding(gas(0, 40 * MMHG, 7.40, po2_kpa=po2))
    assert row["expected_saturation_percent"] == pytest.approx(saturation, abs=0.02)


@pytest.mark.parametrize(
    ("spo2", "agreement"),
    [(90, "agrees"), (94.5, "agrees"), (94.6, "reads_higher"), (86.6, "agrees"), (86.5, "reads_lower")],
)
def test_a_pair_further_apart_than_the_tolerance_is_doubtful(spo2: float, agreement: str) -> None:
    # 8.0 kPa: 90.58 %, so from 86.58 to 94.58 % agrees.
    row = finding(reading(0, spo2), gas(0, 40 * MMHG, 7.40, po2_kpa=8.0))
    assert (row["spo2_percent"], row["oximeter_agreement"]) == (spo2, agreement)


@pytest.mark.parametrize(
    ("readings", "found"),
    [
        ([(105, 90)], 90),
        ([(104, 90)], None),
        ([(135, 91)], 91),
        ([(136, 91)], None),
        ([(110, 90), (131, 91)], 90),
        ([(109, 90), (130, 91)], 91),
        ([(110, 90), (130, 91)], 90),
        ([(110, 90), (120, 92), (130, 91)], 92),
        ([(100, 90), (130, 91)], 91),
        ([], None),
    ],
)
def test_the_nearest_reading_within_15_minutes_counts_the_earlier_of_two(
    readings: list[tuple[int, float]], found: float | None
) -> None:
    row = finding(*(reading(at, spo2) for at, spo2 in readings), gas(120, 5.3, 7.4, po2_kpa=8.0))
    assert row["spo2_percent"] == found
    assert (row["oximeter_agreement"] is None) == (found is None)


def test_how_near_is_said_in_the_policy_and_a_reading_of_another_stay_never_counts() -> None:
    tables = chart(600, reading(100, 90), gas(120, 5.3, 7.4, po2_kpa=8.0))
    near = replace(POLICY, reading_near_gas_minutes=20)
    assert only(rows_of(gas_findings, tables, near))["spo2_percent"] == 90
    other = chart(600, reading(120, 90), stay_id="t", patient_key="q")
    assert only(rows_of(gas_findings, together([tables, other])))["spo2_percent"] is None
