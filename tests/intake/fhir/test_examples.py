"""The published examples of HL7 read as what they say; their source and licence stand in tests/data/fhir/README.md."""

import json
from pathlib import Path

from tests.intake.fhir.resources import Resource, kept_aside, rows

DATA = Path(__file__).parents[2] / "data" / "fhir"


def example(name: str) -> Resource:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def test_one_saturation_with_three_codings_counts_once_and_its_flow_is_read_by_unit_code(tmp_path: Path) -> None:
    """US Core example satO2-fiO2: 95 %, 6 L/min (unit text "liters/min"), 2014-12-05T09:30:10+01:00."""
    resource = example("oximeter.ndjson") | {"encounter": {"reference": "Encounter/S1"}}
    [oximeter] = [{"system": "http://loinc.org", "code": "3151-8", "display": "Inhaled oxygen flow rate"}]
    assert resource["component"][0]["code"]["coding"] == [oximeter]
    at = "2014-12-05T09:30:10+01:00"
    assert rows(tmp_path, resource) == {
        "readings": [{"row_number": 1, "stay_id": "S1", "taken_at": at, "spo2_percent": "95.0"}],
        "devices": [{"row_number": 1, "stay_id": "S1", "started_at": at, "device": "other", "flow_l_min": "6.0"}],
    }


def test_a_pressure_in_kpa_over_a_time_span_is_read_from_its_start(tmp_path: Path) -> None:
    """R4 example f003: pCO2 6.2 kPa in blood of no stated kind."""
    resource = example("co2.ndjson") | {"encounter": {"reference": "Encounter/S1"}}
    assert rows(tmp_path, resource) == {
        "gases": [{"row_number": 1, "stay_id": "S1", "taken_at": "2013-04-02T10:30:10+01:00", "pco2_kpa": "6.2"}]
    }
    assert kept_aside(tmp_path, resource) == [("gases", 1, "missing_required", "sample_type")]


def test_the_unit_error_of_the_first_edition_is_seen(tmp_path: Path) -> None:
    """DSTU 1 gave example f003 as 6.2 mm[Hg], which is 0.83 kPa: below what is accepted."""
    arterial = {"coding": [{"system": "http://loinc.org", "code": "2019-8"}]}
    in_mmhg = {"value": 6.2, "unit": "mm[Hg]", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
    resource = example("co2.ndjson") | {"encounter": {"reference": "Encounter/S1"}, "code": arterial}
    assert kept_aside(tmp_path, resource) == []
    assert kept_aside(tmp_path, resource | {"valueQuantity": in_mmhg}) == [("gases", 1, "out_of_range", "pco2_kpa")]


def test_examples_without_an_encounter_are_kept_aside(tmp_path: Path) -> None:
    assert kept_aside(tmp_path, example("oximeter.ndjson"), example("co2.ndjson")) == [
        ("readings", 1, "missing_required", "stay_id"),
        ("devices", 1, "missing_required", "stay_id"),
        ("gases", 2, "missing_required", "stay_id"),
    ]
