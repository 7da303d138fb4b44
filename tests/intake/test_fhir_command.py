"""A folder of FHIR R4 bulk data as an outsider writes it from the public profiles, through `bandaudit load`.

What must come out was counted by hand. Shapes: US Core pulse oximetry example of HL7 (three codings in one observation,
components 3151-8 and 3150-6, `liters/min` as unit beside the UCUM code `L/min`, an offset of an hour), the R4 example
f003 (pCO2 of 6.2 kPa, called mm[Hg] in an earlier edition), and the rules of HL7 FHIR R4 on status, `dataAbsentReason`,
`partOf` and contained resources. Unit codes: UCUM.
"""

import gzip
import json
from pathlib import Path
from typing import Any

import pytest

from tests.intake.extracts import counts, load, query, refused, stored

Capsys = pytest.CaptureFixture[str]
LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
MDC = "urn:iso:std:iso:11073:10101"
TARGETS = "stay_id,prescribed_at,lower_percent,upper_percent\ne1,2014-12-05T08:10:00Z,88,92\n"


def quantity(value: float, unit: str, code: str) -> dict[str, Any]:
    return {"value": value, "unit": unit, "system": UCUM, "code": code}


def observation(*codes: str, at: str | None, **more: Any) -> dict[str, Any]:
    coding = [{"system": MDC if code == "150456" else LOINC, "code": code} for code in codes]
    made = {"resourceType": "Observation", "status": "final", "code": {"coding": coding}}
    made |= {"encounter": {"reference": "Encounter/e1"}} | ({"effectiveDateTime": at} if at else {})
    return made | more


def saturation(value: float, at: str | None, **more: Any) -> dict[str, Any]:
    return observation("2708-6", "59408-5", "150456", at=at, valueQuantity=quantity(value, "%", "%"), **more)


def component(code: str, value: dict[str, Any] | None) -> dict[str, Any]:
    made: dict[str, Any] = {"code": {"coding": [{"system": LOINC, "code": code}]}}
    return made | ({"valueQuantity": value} if value else {"dataAbsentReason": {"coding": [{"code": "unknown"}]}})


def encounter(own_id: str, code: str = "IMP", **more: Any) -> dict[str, Any]:
    made = {
        "resourceType": "Encounter",
        "id": own_id,
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": code},
        "subject": {"reference": "Patient/p1"},
        "period": {"start": "2014-12-05T09:00:00+01:00", "end": "2014-12-07T10:00:00Z"},
    }
    return made | more


# Each with the line on which it stands: there is a blank line between two resources.
OBSERVATIONS: list[dict[str, Any]] = [
    saturation(  # 1
        95,
        "2014-12-05T09:30:10+01:00",
        component=[
            component("3151-8", quantity(6, "liters/min", "L/min")),
            component("3150-6", quantity(40, "%", "%")),
            component("9279-1", None),
        ],
    ),
    observation("59408-5", at="2014-12-05T10:30:00Z", dataAbsentReason={"coding": [{"code": "unknown"}]}),  # 3
    saturation(91, "2014-12-05T11:00:00Z", status="entered-in-error"),  # 5
    saturation(91, "2014-12-05T11:30:00Z", status="amended"),  # 7
    observation("59408-5", at="2014-12-05T12:00:00Z", valueQuantity=quantity(0.92, "%", "1")),  # 9
    observation(  # 11
        "2708-6",
        at="2014-12-05T12:30:00Z",
        valueQuantity=quantity(90, "%", "%"),
        specimen={"reference": "Specimen/s1"},
    ),
    saturation(  # 13
        93,
        "2014-12-05T13:00:00Z",
        encounter={"reference": "#inside"},
        contained=[encounter("inside")],
    ),
    saturation(93, None, effectivePeriod={"start": "2014-12-05T13:30:00Z", "end": "2014-12-05T13:40:00Z"}),  # 15
    saturation(94, "2014-12-05T14:00:00Z", encounter={"reference": "Encounter/e3"}),  # 17
    saturation(94, "2014-12-05"),  # 19
    {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": saturation(97, "2014-12-05T15:00Z")}]},
    observation("2019-8", at="2014-12-05T16:00:00Z", valueQuantity=quantity(45, "mmHg", "mm[Hg]")),  # 23
    observation("2744-1", at="2014-12-05T17:00:00+01:00", valueQuantity=quantity(7.35, "", "[pH]")),  # 25
    observation("2703-7", at="2014-12-05T16:00:00.250Z", valueQuantity=quantity(10.1, "kPa", "kPa")),  # 27
    observation("2019-8", at="2014-12-05T17:00:00Z", valueQuantity=quantity(6.2, "kPa", "kPa")),  # 29
    observation("2019-8", at="2014-12-05T18:00:00Z", valueQuantity=quantity(6.2, "kPa", "mm[Hg]")),  # 31
    observation("8867-4", at="2014-12-05T17:00:00Z", valueQuantity=quantity(80, "/min", "/min")),  # 33
    saturation(89, "2014-12-05T19:00:00Z", encounter={"reference": "Encounter/gone"}),  # 35
    saturation(94, "2014-12-07T10:00:00Z"),  # 37: at discharge, which is no longer in the stay
    saturation(95, "2014-12-05T08:30:10Z"),  # 39: the first once more
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "bulk"
    place.mkdir()
    lines = b"\r\n\r\n".join(json.dumps(resource).encode() for resource in OBSERVATIONS)
    (place / "Observation.ndjson").write_bytes(b"\xef\xbb\xbf" + lines + b"\n\n")
    encounters = [
        encounter(
            "e1", location=[{"location": {"reference": "Location/w1"}, "period": {"start": "2014-12-05T08:00Z"}}]
        ),
        encounter("e2", "ACUTE", partOf={"reference": "Encounter/e1"}),
        encounter("e3", "AMB", partOf={"reference": "Encounter/e2"}),
        encounter("e4", "AMB"),
        encounter("e5", status="planned"),
    ]
    (place / "Encounter.ndjson.gz").write_bytes(gzip.compress(b"\n".join(json.dumps(e).encode() for e in encounters)))
    patient = {"resourceType": "Patient", "id": "p1", "gender": "male", "name": [{"family": "Example"}]}
    (place / "Patient.ndjson").write_text(json.dumps(patient) + "\n{cut sho\n")
    (place / "Location.ndjson").write_text('{"resourceType":"Location","id":"w1","name":"Hazel ward"}\n')
    (place / "targets.csv").write_text(TARGETS)
    return place


def test_what_comes_out_is_what_was_counted_by_hand(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s"
    outcome = load(capsys, folder, store)
    assert outcome.code == 0, outcome.err

    [stay] = stored(store, "stays")
    assert (stay["stay_id"], stay["sex"], str(stay["admitted_at"])) == ("e1", "male", "2014-12-05 08:00:00")
    assert [row["ward"] for row in stored(store, "wards")] == ["Hazel ward"]
    readings = [(str(row["taken_at"])[11:], row["spo2_percent"]) for row in stored(store, "readings")]
    assert readings == [("08:30:10", 95), ("11:30:00", 91), ("13:30:00", 93), ("14:00:00", 94)]
    [device] = stored(store, "devices")
    assert (device["device"], device["flow_l_min"], device["fio2_fraction"]) == ("other", 6, 0.4)
    gases = [(row["sample_type"], row["ph"], row["pco2_kpa"], row["po2_kpa"]) for row in stored(store, "gases")]
    # 45 mmHg by 0.133322387415 kPa (NIST SP 811).
    assert gases == [("arterial", 7.35, pytest.approx(5.9995074), 10.1), ("arterial", None, 6.2, None)]

    aside = query(store, "select table_name, file_name, row_number, rule from rejected_rows order by all")
    assert aside == [
        ("gases", "Observation.ndjson", 31, "out_of_range"),
        ("readings", "Observation.ndjson", 3, "missing_required"),
        ("readings", "Observation.ndjson", 5, "not_valid_status"),
        ("readings", "Observation.ndjson", 9, "unknown_unit"),
        ("readings", "Observation.ndjson", 11, "not_by_oximeter"),
        ("readings", "Observation.ndjson", 13, "missing_required"),
        ("readings", "Observation.ndjson", 19, "not_a_time"),
        ("readings", "Observation.ndjson", 35, "unknown_stay"),
        ("readings", "Observation.ndjson", 37, "outside_the_stay"),
        ("stays", "Encounter.ndjson.gz", 4, "not_inpatient"),
        ("stays", "Encounter.ndjson.gz", 5, "not_valid_status"),
        ("stays", "Patient.ndjson", 2, "not_json"),
    ]
    # Read = stored + already stored + repeated + kept aside, by table and file.
    ledger = (
        "select rows_read, rows_stored, rows_already_stored, rows_repeated, rows_kept_aside from load_ledger where "
    )
    assert query(store, ledger + "table_name = 'readings'") == [(13, 4, 0, 1, 8)]
    assert query(store, ledger + "table_name = 'gases'") == [(3, 2, 0, 0, 1)]
    assert query(store, ledger + "table_name = 'devices'") == [(1, 1, 0, 0, 0)]
    assert query(store, ledger + "table_name = 'stays' and file_name = 'Encounter.ndjson.gz'") == [(3, 1, 0, 0, 2)]
    assert counts(store, "Patient.ndjson") == (1, 0, 0, 0, 1)


def test_lines_that_are_not_used_are_told_on_the_screen_and_in_the_store(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    outcome = load(capsys, folder, tmp_path / "s")
    sentences = [
        "1 line of the file Observation.ndjson holds a type of FHIR resource that the audit does not use.",
        "Bundles in the file Observation.ndjson, which are not opened, so that nothing in them was read: 1. Export "
        "bulk data, which has each resource on a line of its own, and load again.",
        "1 observation of another kind in the file Observation.ndjson was not used.",
    ]
    for sentence in sentences:
        assert sentence in outcome.out
    assert query(tmp_path / "s", "select sentence from load_notes order by sentence") == sorted((s,) for s in sentences)


def test_files_of_patients_places_and_devices_are_not_called_unused(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    (folder / "Device.ndjson").write_text('{"resourceType":"Device","id":"d1"}\n')
    (folder / "Organization.ndjson").write_text('{"resourceType":"Organization","id":"o1","name":"North site"}\n')
    assert "holds no type" not in load(capsys, folder, tmp_path / "s").out
    (folder / "Procedure.ndjson").write_text('{"resourceType":"Procedure","id":"o1"}\n')
    assert "The file Procedure.ndjson holds no type of FHIR resource" in load(capsys, folder, tmp_path / "t").out


def test_a_fraction_called_percent_stops_the_load(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    lines = [json.dumps(saturation(0.9 + n / 100, f"2014-12-05T1{n}:00:00Z")) for n in range(5)]
    (folder / "Observation.ndjson").write_text("\n".join(lines))
    says = ["spo2_percent is declared in percent, but 5 of 5 values would fit fraction"]
    refused(capsys, folder, tmp_path / "s", says=says)
