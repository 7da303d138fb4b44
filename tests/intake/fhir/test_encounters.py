"""How FHIR encounters become stays and wards, with the words that other resources add.

Statuses and kinds of place: HL7 FHIR R4 code systems. Classes: HL7 v3 ActCode.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.intake.fhir.resources import (
    ACT_CODE,
    PHYSICAL_TYPE,
    Resource,
    concept,
    encounter,
    kept_aside,
    observation,
    patient,
    pieces,
    rows,
    saturation,
    stop,
    write,
)

START = "2026-01-05T08:00:00+00:00"


def place(own_id: str, kind: str, part_of: str | None = None, name: str | None = None) -> Resource:
    made: Resource = {"resourceType": "Location", "id": own_id, "physicalType": concept(kind, system=PHYSICAL_TYPE)}
    if part_of:
        made["partOf"] = {"reference": f"Location/{part_of}"}
    return made | ({"name": name} if name else {})


def test_an_inpatient_encounter_is_a_stay(tmp_path: Path) -> None:
    hospital = {"resourceType": "Organization", "id": "h1", "name": "North site"}
    stay = encounter(serviceProvider={"reference": "Organization/h1", "display": "words"})
    assert rows(tmp_path, patient("P1"), stay, hospital) == {
        "stays": [
            {
                "row_number": 2,
                "stay_id": "S1",
                "patient_key": "P1",
                "admitted_at": START,
                "discharged_at": "2026-01-09T12:00:00+00:00",
                "site": "North site",
                "sex": "female",
            }
        ]
    }


def test_places_and_patients_without_a_resource_are_known_by_their_id(tmp_path: Path) -> None:
    found = rows(tmp_path, encounter(serviceProvider={"reference": "Organization/h1"}, location=[stop("w1", START)]))
    assert found["stays"][0]["site"] == "h1"
    assert "sex" not in found["stays"][0]
    assert found["wards"][0]["ward"] == "w1"


@pytest.mark.parametrize("gender", [None, "banana"])
def test_a_sex_that_is_no_code_of_the_standard_stays_empty(gender: str | None, tmp_path: Path) -> None:
    assert "sex" not in rows(tmp_path, patient("P1", gender), encounter())["stays"][0]


@pytest.mark.parametrize("code", ["IMP", "ACUTE", "NONAC", "SS", "OBSENC"])
def test_classes_of_a_stay_in_hospital_are_taken(code: str, tmp_path: Path) -> None:
    assert kept_aside(tmp_path, encounter(**{"class": {"system": ACT_CODE, "code": code}})) == []


@pytest.mark.parametrize(
    "kind",
    [
        {"system": ACT_CODE, "code": "AMB"},
        {"system": ACT_CODE, "code": "EMER"},
        {"system": "urn:invented", "code": "IMP"},
        {"code": "banana"},
        None,
    ],
    ids=["ambulatory", "emergency", "other system", "unknown", "none"],
)
def test_other_encounters_are_kept_aside_and_their_wards_with_them(kind: Resource | None, tmp_path: Path) -> None:
    clinic = encounter(**{"class": kind}, location=[stop("w1", START)])
    assert kept_aside(tmp_path, clinic) == [("stays", 1, "not_inpatient", None)]
    assert list(rows(tmp_path, clinic)) == ["stays"]


@pytest.mark.parametrize("status", ["planned", "cancelled", "entered-in-error", "banana", None])
def test_an_encounter_that_did_not_happen_is_kept_aside(status: str | None, tmp_path: Path) -> None:
    assert kept_aside(tmp_path, encounter(status=status)) == [("stays", 1, "not_valid_status", None)]


@pytest.mark.parametrize("status", ["arrived", "triaged", "in-progress", "onleave"])
def test_an_encounter_that_goes_on_has_no_end(status: str, tmp_path: Path) -> None:
    going_on = encounter(status=status, period={"start": START})
    assert "discharged_at" not in rows(tmp_path, going_on)["stays"][0]
    assert kept_aside(tmp_path, going_on) == []


def test_a_finished_encounter_without_an_end_is_not_taken_for_one_that_goes_on(tmp_path: Path) -> None:
    assert kept_aside(tmp_path, encounter(period={"start": START})) == [("stays", 1, "no_end", "discharged_at")]


@pytest.mark.parametrize(
    ("changes", "rule", "column"),
    [
        ({"id": None}, "missing_required", "stay_id"),
        ({"subject": None}, "missing_required", "patient_key"),
        ({"subject": {"identifier": {"value": "943 476 5919"}}}, "missing_required", "patient_key"),
        ({"period": {"end": "2026-01-09T12:00:00Z"}}, "missing_required", "admitted_at"),
        ({"period": {"start": "2026-01-05", "end": "2026-01-09"}}, "not_a_time", "admitted_at"),
        ({"period": {"start": START, "end": "2026-01-04T12:00:00Z"}}, "ends_before_it_starts", "discharged_at"),
    ],
)
def test_what_a_stay_lacks_is_named(changes: dict[str, Any], rule: str, column: str, tmp_path: Path) -> None:
    assert kept_aside(tmp_path, encounter(**changes)) == [("stays", 1, rule, column)]


# --- wards ------------------------------------------------------------------------------------------------------


def test_locations_are_wards_and_a_row_number_says_line_and_place(tmp_path: Path) -> None:
    moves = [stop("w1", START), stop("w2", "2026-01-06T09:00:00Z", status="active")]
    names = [place("w1", "wa", name="Hazel ward"), place("w2", "wa", name="Willow ward")]
    assert rows(tmp_path, names[0], encounter(location=moves), names[1])["wards"] == [
        {"row_number": 2000, "stay_id": "S1", "ward": "Hazel ward", "entered_at": START},
        {"row_number": 2001, "stay_id": "S1", "ward": "Willow ward", "entered_at": "2026-01-06T09:00:00Z"},
    ]


def test_a_bed_is_the_ward_that_it_is_in(tmp_path: Path) -> None:
    beds = [place("b1", "bd", "r1", "bed 1"), place("r1", "ro", "w1", "room 1"), place("w1", "wa", "h1", "Hazel ward")]
    [row] = rows(tmp_path, encounter(location=[stop("b1", START)]), *beds)["wards"]
    assert row["ward"] == "Hazel ward"


def test_beds_that_are_part_of_each_other_end_somewhere(tmp_path: Path) -> None:
    beds = [place("b1", "bd", "b2", "one"), place("b2", "bd", "b1", "two")]
    [row] = rows(tmp_path, encounter(location=[stop("b1", START)]), *beds)["wards"]
    assert row["ward"] in ("one", "two")


def test_the_only_location_without_a_time_is_the_ward_of_the_whole_stay(tmp_path: Path) -> None:
    [row] = rows(tmp_path, encounter(location=[stop("w1")]))["wards"]
    assert row["entered_at"] == START
    two = encounter(location=[stop("w1"), stop("w2", START)])
    assert kept_aside(tmp_path, two) == [("wards", 1000, "missing_required", "entered_at")]


@pytest.mark.parametrize("status", ["planned", "reserved", "banana"])
def test_a_location_that_was_only_planned_is_kept_aside(status: str, tmp_path: Path) -> None:
    planned = encounter(location=[stop("w1", START, status=status)])
    assert kept_aside(tmp_path, planned) == [("wards", 1000, "not_valid_status", None)]


def test_a_location_without_a_reference_is_kept_aside(tmp_path: Path) -> None:
    nameless = encounter(location=[{"location": {"display": "Hazel ward"}, "period": {"start": START}}])
    assert kept_aside(tmp_path, nameless) == [("wards", 1000, "missing_required", "ward")]


def test_row_numbers_stay_different_with_thousands_of_locations(tmp_path: Path) -> None:
    many = [encounter(id=key, location=[stop("w1", START)] * 1500) for key in ("S1", "S2")]
    found = rows(tmp_path, *many)["wards"]
    assert len({row["row_number"] for row in found}) == len(found) == 3000


# --- encounters that are part of others -------------------------------------------------------------------------


def part(own_id: str, of: str, **more: Any) -> Resource:
    return encounter(id=own_id, partOf={"reference": f"Encounter/{of}"}, **more)


def test_a_part_of_a_stay_is_no_stay_and_what_it_holds_belongs_to_the_outermost(tmp_path: Path) -> None:
    inner = part("S3", "S2", location=[stop("w3", "2026-01-06T09:00:00Z")])
    middle = part("S2", "S1", **{"class": {"system": ACT_CODE, "code": "AMB"}})
    of_inner = saturation(encounter={"reference": "Encounter/S3"})
    found = rows(tmp_path, of_inner, inner, middle, encounter(location=[stop("w1", START)]))
    assert [row["stay_id"] for row in found["stays"]] == ["S1"]
    assert [(row["stay_id"], row["ward"]) for row in found["wards"]] == [("S1", "w3"), ("S1", "w1")]
    assert [row["stay_id"] for row in found["readings"]] == ["S1"]


@pytest.mark.parametrize(
    "outer",
    [[], [encounter(status="cancelled")], [encounter(**{"class": {"system": ACT_CODE, "code": "AMB"}})]],
    ids=["not there", "cancelled", "not inpatient"],
)
def test_a_part_of_what_is_no_stay_is_a_stay_of_its_own(outer: list[Resource], tmp_path: Path) -> None:
    found = rows(tmp_path, part("S2", "S1"), *outer)
    assert [row["stay_id"] for row in found["stays"] if "rule" not in row] == ["S2"]


def test_a_cancelled_part_is_kept_aside(tmp_path: Path) -> None:
    assert kept_aside(tmp_path, encounter(), part("S2", "S1", status="cancelled")) == [
        ("stays", 2, "not_valid_status", None)
    ]


def test_encounters_that_are_part_of_each_other_stand_by_themselves(tmp_path: Path) -> None:
    found = rows(tmp_path, part("S1", "S2"), part("S2", "S1"), part("S3", "S3"), part("S4", "S1"))
    assert [row["stay_id"] for row in found["stays"]] == ["S1", "S2", "S3", "S4"]


# --- files ------------------------------------------------------------------------------------------------------


def test_resources_are_known_by_what_they_say_and_not_by_the_name_of_the_file(tmp_path: Path) -> None:
    write(tmp_path, {"Patient.ndjson": [saturation(), encounter()], "Observation-2.ndjson.gz": [patient("P1")]})
    found = pieces(tmp_path)
    assert list(found) == [("stays", "Patient.ndjson"), ("readings", "Patient.ndjson")]
    assert found["stays", "Patient.ndjson"]["sex"].to_list() == ["female"]


def test_rows_are_counted_under_the_file_and_line_they_stand_in(tmp_path: Path) -> None:
    gas = [observation(concept(code), {"value": 7.3}) for code in ("2744-1", "2746-6")]
    write(tmp_path, {"a.ndjson": [saturation(), gas[0]], "b.ndjson": [encounter(), b"", gas[1], saturation(93)]})
    found = {name: rows["row_number"].to_list() for name, rows in pieces(tmp_path).items()}
    assert found == {
        ("stays", "b.ndjson"): [1],
        ("readings", "a.ndjson"): [1],
        ("readings", "b.ndjson"): [4],
        ("gases", "a.ndjson"): [2],
        ("gases", "b.ndjson"): [3],
    }
