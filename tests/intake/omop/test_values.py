"""What values of OMOP measurements become: units, instants, readings and gathered gases."""

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.intake.check import typed
from pipeline.vocabulary import TABLES
from tests.intake.omop.rows import (
    BICARBONATE_OF_BLOOD,
    FIO2,
    KPA,
    MMHG,
    PCO2,
    PCO2_OF_BLOOD,
    PERCENT,
    PH,
    PH_OF_BLOOD,
    PH_VENOUS,
    PO2,
    RATE,
    RATIO,
    SAO2,
    SPO2,
    VALUE,
    rows_of,
    value,
    without_nulls,
)
from tests.intake.omop.tables import ZONE

# --- units ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("concept", "number", "unit", "unit_text", "table", "column", "wanted"),
    [
        (SPO2, 91, PERCENT, None, "readings", "spo2_percent", 91),
        (SPO2, 91, 0, "%", "readings", "spo2_percent", 91),
        (SPO2, 0.91, RATIO, None, "readings", "spo2_percent", 91),
        (PCO2, 6.2, KPA, None, "gases", "pco2_kpa", 6.2),
        (PCO2, 6.2, None, "kPa", "gases", "pco2_kpa", 6.2),
        # pint 0.25: 45 mmHg = 5.999507 kPa.
        (PCO2, 45, MMHG, None, "gases", "pco2_kpa", 5.999507),
        (PCO2, 45, None, "mm[Hg]", "gases", "pco2_kpa", 5.999507),
        (PO2, 60, MMHG, "mmHg", "gases", "po2_kpa", 7.999343),
        (PH, 7.32, None, None, "gases", "ph", 7.32),
    ],
)
def test_a_value_is_converted_from_the_unit_that_its_row_gives(
    concept: int,
    number: float,
    unit: int | None,
    unit_text: str | None,
    table: str,
    column: str,
    wanted: float,
    tmp_path: Path,
) -> None:
    [row] = rows_of(tmp_path, table, measurement=[value(concept, number, unit, unit_source_value=unit_text)])
    assert float(row[column]) == pytest.approx(wanted, abs=1e-6)
    assert row["rule"] is None


@pytest.mark.parametrize(
    ("concept", "unit", "unit_text", "table", "column"),
    [
        (SPO2, None, None, "readings", "spo2_percent"),
        (SPO2, 0, None, "readings", "spo2_percent"),
        (SPO2, MMHG, None, "readings", "spo2_percent"),
        (SPO2, 999, None, "readings", "spo2_percent"),
        (PCO2, None, None, "gases", "pco2_kpa"),
        (PCO2, 0, "mbar", "gases", "pco2_kpa"),
        # Two units that contradict each other.
        (PCO2, MMHG, "kPa", "gases", "pco2_kpa"),
        (PH, 8736, "nmol/L", "gases", "ph"),
    ],
)
def test_a_value_of_missing_unknown_or_contradicted_unit_is_set_aside_and_not_guessed(
    concept: int, unit: int | None, unit_text: str | None, table: str, column: str, tmp_path: Path
) -> None:
    [row] = rows_of(tmp_path, table, measurement=[value(concept, 45, unit, unit_source_value=unit_text)])
    assert (row["rule"], row["fault_column"]) == ("unknown_unit", column)
    assert float(row[column]) == 45


def test_a_bound_is_not_a_value(tmp_path: Path) -> None:
    """Operators of the vocabulary: 4171756 is "<" (from memory), 4172703 is "=" (SNOMED CT 276136004)."""
    at_eleven = "2026-01-05 11:00:00"
    rows = rows_of(
        tmp_path,
        "gases",
        measurement=[
            value(PO2, 1.5, KPA, operator_concept_id=4171756),
            value(PO2, 9.5, KPA, operator_concept_id=4172703, measurement_datetime=at_eleven),
        ],
    )
    assert [row["rule"] for row in rows] == ["not_a_number", None]


def test_a_value_that_is_no_number_stays_as_it_is_written(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "readings", measurement=[value(SPO2, "sample lost", PERCENT), value(SPO2, None, PERCENT)])
    assert [row["spo2_percent"] for row in rows] == ["sample lost", None]
    faults = typed(pl.DataFrame(rows).drop("rule", "fault_column"), TABLES["readings"], ZONE)["rule"].to_list()
    assert faults == ["not_a_number", "missing_required"]


# --- readings ---------------------------------------------------------------------------------------------------------


def test_a_respiratory_rate_joins_the_saturation_of_its_instant_however_that_is_written(tmp_path: Path) -> None:
    tell: list[str] = []
    rows = rows_of(
        tmp_path,
        "readings",
        tell,
        measurement=[
            value(RATE, 18, measurement_datetime="2026-01-05T10:00"),
            value(SPO2, 91, PERCENT, measurement_datetime="2026-01-05 10:00:00.000"),
            value(SPO2, 92, PERCENT, measurement_datetime="2026-01-05 10:01:00"),
            value(RATE, 20, measurement_datetime="2026-01-05 10:02:00"),
        ],
    )
    assert [(row["row_number"], row["spo2_percent"], row["respiratory_rate"]) for row in rows] == [
        (3, "91.0", "18.0"),
        (4, "92.0", None),
    ]
    assert tell == [
        "measurement: 4 rows read, 3 used. Not used: respiratory rates without a saturation at that instant (1)."
    ]


def test_repeated_saturations_stay_rows_of_their_own_for_the_load_to_judge(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "readings", measurement=[VALUE, VALUE, value(SPO2, 95, PERCENT)])
    assert [(row["row_number"], row["spo2_percent"]) for row in rows] == [(2, "91.0"), (3, "91.0"), (4, "95.0")]


def test_two_different_rates_at_one_instant_set_the_reading_aside(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "readings", measurement=[VALUE, value(RATE, 18), value(RATE, 22)])
    assert [(row["rule"], row["fault_column"]) for row in rows] == [("conflicting_repeat", "respiratory_rate")]


@pytest.mark.parametrize(("words", "taken"), [("SpO2", True), ("pulse ox", True), ("sO2", False), (None, False)])
def test_an_arterial_saturation_is_a_reading_only_where_it_speaks_of_pulse_oximetry(
    words: str | None, taken: bool, tmp_path: Path
) -> None:
    tell: list[str] = []
    measurement = [VALUE, value(SAO2, 88, PERCENT, measurement_source_value=words)]
    assert len(rows_of(tmp_path, "readings", tell, measurement=measurement)) == 1 + taken
    assert tell == ([] if taken else ["measurement: 2 rows read, 1 used. Not used: saturations of blood samples (1)."])


@pytest.mark.parametrize("code", ["59408-5", "59417-6"])
def test_a_row_without_a_concept_is_known_by_its_loinc_code(code: str, tmp_path: Path) -> None:
    for concept in (0, None):
        rows = rows_of(
            tmp_path / str(concept),
            "readings",
            measurement=[value(concept, 91, PERCENT, measurement_source_value=code)],  # type: ignore[arg-type]
        )
        assert [row["spo2_percent"] for row in rows] == ["91.0"]


def test_a_concept_goes_before_the_code_beside_it(tmp_path: Path) -> None:
    """3004249 is the systolic blood pressure (DataQualityDashboard)."""
    tell: list[str] = []
    measurement = [VALUE, value(3004249, 120, PERCENT, measurement_source_value="59408-5")]
    assert len(rows_of(tmp_path, "readings", tell, measurement=measurement)) == 1
    assert tell == ["measurement: 2 rows read, 1 used. Not used: other kinds (1)."]


# --- gases ------------------------------------------------------------------------------------------------------------


def test_the_values_of_one_instant_and_kind_of_sample_are_one_gas_with_the_number_of_the_first_row(
    tmp_path: Path,
) -> None:
    rows = rows_of(
        tmp_path,
        "gases",
        measurement=[
            VALUE,
            value(PCO2, 45, MMHG),
            value(PH_VENOUS, 7.30),
            value(PH, 7.35),
            value(FIO2, 28, PERCENT),
            value(PH, 7.35),
        ],
    )
    found = [without_nulls(row) for row in rows]
    assert [(row["row_number"], row["sample_type"], row["ph"], row["fio2_fraction"]) for row in found] == [
        (3, "arterial", "7.35", "0.28"),
        (4, "venous", "7.3", "0.28"),
    ]
    assert "pco2_kpa" in found[0]
    assert "pco2_kpa" not in found[1]


def test_values_of_blood_belong_to_the_only_kind_of_sample_at_their_instant(tmp_path: Path) -> None:
    rows = rows_of(
        tmp_path,
        "gases",
        measurement=[value(PCO2, 6, KPA), value(PH_OF_BLOOD, 7.3), value(BICARBONATE_OF_BLOOD, 25, 8753)],
    )
    assert [without_nulls(row) for row in rows] == [
        {
            "row_number": 2,
            "stay_id": "1",
            "taken_at": "2026-01-05 10:00:00",
            "sample_type": "arterial",
            "ph": "7.3",
            "pco2_kpa": "6.0",
            "bicarbonate_mmol_l": "25.0",
        }
    ]


def test_blood_of_unknown_kind_is_set_aside_for_want_of_the_kind(tmp_path: Path) -> None:
    """HL7's example f003 (pCO2 6.2 kPa) in OMOP form: 3013290, unit 44777602, no word on the kind of sample."""
    rows = rows_of(tmp_path, "gases", measurement=[value(PCO2_OF_BLOOD, 6.2, KPA)])
    assert [row["pco2_kpa"] for row in rows] == ["6.2"]
    judged = typed(pl.DataFrame(rows).drop("rule", "fault_column"), TABLES["gases"], ZONE)
    assert judged.select("rule", "fault_column").rows() == [("missing_required", "sample_type")]


def test_two_different_values_of_one_quantity_set_the_gas_aside(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "gases", measurement=[value(PCO2, 6, KPA), value(PCO2, 7, KPA), value(PH, 7.3)])
    assert [(row["row_number"], row["rule"], row["fault_column"]) for row in rows] == [
        (2, "conflicting_repeat", "pco2_kpa")
    ]


def test_bicarbonate_and_inspired_oxygen_alone_are_no_gas(tmp_path: Path) -> None:
    tell: list[str] = []
    measurement = [VALUE, value(BICARBONATE_OF_BLOOD, 25, 8753), value(FIO2, 28, PERCENT)]
    assert rows_of(tmp_path, "gases", tell, measurement=measurement) == []
    assert tell == [
        "measurement: 3 rows read, 1 used. Not used: "
        "oxygen flows or concentrations at no start of a device and with no gas (1); values of blood without a gas (1)."
    ]


def test_values_without_a_stay_or_a_time_of_day_are_not_gathered(tmp_path: Path) -> None:
    only_date = {"measurement_datetime": None}
    rows = rows_of(
        tmp_path,
        "gases",
        measurement=[
            value(PCO2, 6, KPA, **only_date),
            value(PH, 7.3, **only_date),
            value(PCO2, 6, KPA, visit_occurrence_id=None),
        ],
    )
    assert [(row["row_number"], row["stay_id"], row["taken_at"]) for row in rows] == [
        (2, "1", "2026-01-05"),
        (3, "1", "2026-01-05"),
        (4, None, "2026-01-05 10:00:00"),
    ]


# --- times ------------------------------------------------------------------------------------------------------------


def test_a_mere_date_is_no_time(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "readings", measurement=[{**VALUE, "measurement_datetime": None}])
    judged = typed(pl.DataFrame(rows).drop("rule", "fault_column"), TABLES["readings"], ZONE)
    assert judged.select("row_number", "rule", "fault_column").rows() == [(2, "not_a_time", "taken_at")]


def test_a_date_with_the_time_of_day_in_its_own_column_is_a_time(tmp_path: Path) -> None:
    measurement = [{**VALUE, "measurement_datetime": None, "measurement_time": "10:05"}]
    assert [row["taken_at"] for row in rows_of(tmp_path, "readings", measurement=measurement)] == [
        "2026-01-05 10:05:00"
    ]


def test_values_of_one_day_without_times_of_day_are_not_joined(tmp_path: Path) -> None:
    tell: list[str] = []
    only_date = {"measurement_datetime": None}
    measurement = [{**VALUE, **only_date}, value(RATE, 18, **only_date), value(FIO2, 28, PERCENT, **only_date)]
    rows = rows_of(tmp_path, "readings", tell, measurement=measurement)
    assert [(row["taken_at"], row["respiratory_rate"]) for row in rows] == [("2026-01-05", None)]
    assert tell == [
        "measurement: 3 rows read, 1 used. Not used: respiratory rates without a saturation at that instant (1); "
        "oxygen flows or concentrations at no start of a device and with no gas (1)."
    ]


def at_midnight(number: int) -> list[dict[str, Any]]:
    return [{**VALUE, "measurement_datetime": f"2026-01-{day + 1:02} 00:00:00"} for day in range(number)]


def test_a_table_full_of_midnights_has_no_times(tmp_path: Path) -> None:
    """The convention of the common data model for a source without times of day."""
    tell: list[str] = []
    rows = rows_of(tmp_path, "readings", tell, measurement=[*at_midnight(25), *[VALUE] * 10])
    assert [len(row["taken_at"]) for row in rows] == [10] * 25 + [19] * 10
    assert tell == [
        "measurement: 25 of 35 times that became taken_at are midnight to the second, which is how a date without a "
        "time of day is written. They are not taken as times."
    ]


def test_a_few_midnights_are_times(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "readings", measurement=[*at_midnight(15), *[VALUE] * 30])
    assert {len(row["taken_at"]) for row in rows} == {19}
    assert len(rows_of(tmp_path, "readings", measurement=at_midnight(5))) == 5
