"""What the other tests here read is FHIR R4: by its JSON schema, and by an independent library.

Each sees what the other does not: the library (fhir.resources, models of R4B) knows that an observation has one value,
the schema the statuses.
"""

import importlib
import json
import random
from functools import cache

import jsonschema
import pytest

from pipeline.intake.fhir.resources import KINDS
from synthetic_data.cohort import simulate
from tests.intake.fhir.cohort_as_fhir import write_cohort
from tests.intake.fhir.resources import Resource, patient, saturation
from tests.intake.fhir.test_examples import DATA, example

FEW = 400


@cache
def schema() -> Resource:
    return json.loads((DATA / "r4.schema.json").read_text(encoding="utf-8"))


def faults_by_schema(resource: Resource) -> list[str]:
    of_type = {"$ref": f"#/definitions/{resource['resourceType']}", "definitions": schema()["definitions"]}
    validator = jsonschema.validators.validator_for(schema())(of_type)
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(resource)]


def faults_by_library(resource: Resource) -> list[str]:
    kind = resource["resourceType"]
    model = getattr(importlib.import_module(f"fhir.resources.R4B.{kind.lower()}"), kind)
    try:
        model.model_validate(resource)
    except ValueError as error:
        return [str(error)]
    return []


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> list[Resource]:
    """Some of the lines of a cohort's folder, every type of resource among them."""
    folder = write_cohort(simulate(stays=40).tables, tmp_path_factory.mktemp("structure"))
    lines = [json.loads(text) for path in sorted(folder.glob("*.ndjson")) for text in path.read_text().splitlines()]
    few = random.Random(1).sample([each for each in lines if each["resourceType"] == "Observation"], FEW)
    return few + [each for each in lines if each["resourceType"] != "Observation"]


def test_the_folders_that_are_read_back_hold_valid_resources(written: list[Resource]) -> None:
    assert {each["resourceType"] for each in written} == KINDS
    assert {each["id"]: faults for each in written if (faults := faults_by_schema(each))} == {}
    assert {each["id"]: faults for each in written if (faults := faults_by_library(each))} == {}


@pytest.mark.parametrize("name", ["oximeter.ndjson", "co2.ndjson"])
def test_the_examples_are_valid(name: str) -> None:
    assert faults_by_schema(example(name)) == []
    assert faults_by_library(example(name)) == []


def test_the_schema_and_the_library_find_what_is_wrong() -> None:
    assert faults_by_schema(saturation(status="banana"))
    assert faults_by_library(saturation(valueString="95"))
    without_code = {name: element for name, element in saturation().items() if name != "code"}
    for bad in (without_code, saturation(effectiveDateTime="yesterday"), patient("P 1")):
        assert faults_by_schema(bad), bad
        assert faults_by_library(bad), bad


def test_every_element_that_is_read_is_one_of_the_standard() -> None:
    """The names under which elements are looked for stand in the schema, so that none is looked for in vain."""
    definitions = schema()["definitions"]
    module = importlib.import_module("pipeline.intake.fhir.resources")
    of_type = {
        "Observation": module.Observation,
        "Encounter": module.Encounter,
        "Patient": module.Patient,
        "Location": module.Location,
        "Organization": module.Organization,
        "Device": module.Device,
        "Encounter_Location": module.Stop,
        "Observation_Component": module.Valued,
        "Quantity": module.Quantity,
        "CodeableConcept": module.Concept,
        "Coding": module.Coding,
        "Reference": module.Reference,
        "Period": module.Period,
        "Extension": module.Extension,
    }
    assert set(of_type) >= KINDS
    for name, kind in of_type.items():
        assert set(kind.__struct_encode_fields__) <= set(definitions[name]["properties"]), name


def test_nothing_that_may_name_a_person_is_among_the_elements_that_are_read() -> None:
    """FHIR R4: elements that hold names, contacts, numbers or free text."""
    module = importlib.import_module("pipeline.intake.fhir.resources")
    personal = {"name", "birthDate", "telecom", "address", "identifier", "contact", "photo", "text", "note", "display"}
    personal |= {"div", "valueString", "performer", "participant", "reasonCode"}
    read = {
        kind.__name__: set(kind.__struct_encode_fields__) & personal
        for kind in vars(module).values()
        if is_struct(kind)
    }
    # Of a text value only its presence is kept, as undecoded bytes that are never looked into.
    assert {name: found for name, found in read.items() if found} == {
        "Location": {"name"},
        "Organization": {"name"},
        "Observation": {"valueString"},
        "Valued": {"valueString"},
    }


def is_struct(kind: object) -> bool:
    return hasattr(kind, "__struct_encode_fields__")
