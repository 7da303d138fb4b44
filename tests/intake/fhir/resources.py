"""FHIR R4 resources as dictionaries, the way a hospital's server would write them, and folders of them."""

import gzip
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.intake.check import typed
from pipeline.intake.fhir.folder import fhir_sources
from pipeline.vocabulary import TABLES

Resource = dict[str, Any]

LOINC, SNOMED, UCUM = "http://loinc.org", "http://snomed.info/sct", "http://unitsofmeasure.org"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
PHYSICAL_TYPE = "http://terminology.hl7.org/CodeSystem/location-physical-type"
DEVICE_CODE = "http://hl7.org/fhir/StructureDefinition/observation-deviceCode"
AT = "2026-01-05T10:00:00+00:00"


def concept(*codes: str, system: str = LOINC) -> Resource:
    """A concept with a coding for each code, and words that must never be read."""
    codings = [{"system": system, "code": code, "display": "words of a coding"} for code in codes]
    return {"coding": codings, "text": "words of a concept"}


def quantity(value: float, code: str, unit: str = "words of a unit") -> Resource:
    """A quantity whose unit is its UCUM code; the text beside it says something else."""
    return {"value": value, "unit": unit, "system": UCUM, "code": code}


def observation(code: Resource, value: Resource | None = None, **more: Any) -> Resource:
    """A final observation of the stay S1 at `AT`; `more` replaces elements, and takes out those that are None."""
    made = {
        "resourceType": "Observation",
        "id": "o1",
        "status": "final",
        "category": [concept("vital-signs", system=CATEGORY)],
        "code": code,
        "subject": {"reference": "Patient/P1", "display": "Doe, Jane"},
        "encounter": {"reference": "Encounter/S1"},
        "effectiveDateTime": AT,
        "note": [{"text": "words of a note"}],
    }
    if value is not None:
        made["valueQuantity"] = value
    return {name: element for name, element in (made | more).items() if element is not None}


def saturation(percent: float = 95, **more: Any) -> Resource:
    """A saturation as the R4 profile `oxygensat` has it, by pulse oximeter."""
    return observation(concept("2708-6", "59408-5"), quantity(percent, "%"), **more)


def component(code: str, value: Resource) -> Resource:
    return {"code": concept(code), "valueQuantity": value}


def encounter(**more: Any) -> Resource:
    """A finished inpatient encounter S1 of the patient P1; `more` as in `observation`."""
    made = {
        "resourceType": "Encounter",
        "id": "S1",
        "status": "finished",
        "class": {"system": ACT_CODE, "code": "IMP"},
        "subject": {"reference": "Patient/P1", "display": "Doe, Jane"},
        "period": {"start": "2026-01-05T08:00:00+00:00", "end": "2026-01-09T12:00:00+00:00"},
    }
    return {name: element for name, element in (made | more).items() if element is not None}


def stop(location: str, start: str | None = None, **more: Any) -> Resource:
    """An entry of Encounter.location."""
    return {"location": {"reference": f"Location/{location}"}} | ({"period": {"start": start}} if start else {}) | more


def patient(key: str, gender: str | None = "female") -> Resource:
    """A patient with everything that must never be read."""
    made = {
        "resourceType": "Patient",
        "id": key,
        "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">Jane Doe</div>'},
        "identifier": [{"system": "urn:invented:number", "value": "943 476 5919"}],
        "name": [{"family": "Doe", "given": ["Jane"]}],
        "telecom": [{"system": "phone", "value": "01632 960 001"}],
        "birthDate": "1941-02-03",
        "address": [{"line": ["1 Invented Street"], "postalCode": "ZZ99 3CZ"}],
    }
    return made | ({"gender": gender} if gender else {})


def line(resource: Resource) -> bytes:
    return json.dumps(resource, separators=(",", ":")).encode()


def write(folder: Path, files: Mapping[str, Iterable[Resource | bytes]]) -> Path:
    """Writes files of NDJSON, gzip where the name says so; lines that are bytes are written as they are."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, resources in files.items():
        text = b"".join((each if isinstance(each, bytes) else line(each)) + b"\n" for each in resources)
        (folder / name).write_bytes(gzip.compress(text, mtime=0) if name.endswith(".gz") else text)
    return folder


def pieces(folder: Path, sentences: list[str] | None = None) -> dict[tuple[str, str], pl.DataFrame]:
    """All rows by table and file, as the sources of the folder yield them; their form is checked."""
    found = {}
    for source in fhir_sources(folder, (sentences if sentences is not None else []).append):
        frames = list(source.pieces([]))
        for frame in frames:
            assert frame.columns == ["row_number", *source.columns, "rule", "fault_column"]
            assert set(frame.drop("row_number").dtypes) <= {pl.String}
        rows = pl.concat(frames)
        assert not rows["row_number"].is_duplicated().any()
        found[source.table, source.name] = rows
    return found


def rows(folder: Path, *resources: Resource | bytes) -> dict[str, list[dict[str, Any]]]:
    """Rows by table, of resources written into one file; empty cells are left out."""
    write(folder, {"all.ndjson": resources})
    return {
        table: [{name: cell for name, cell in row.items() if cell is not None} for row in frame.iter_rows(named=True)]
        for (table, _), frame in pieces(folder).items()
    }


def kept_aside(folder: Path, *resources: Resource | bytes) -> list[tuple[str, int, str, str | None]]:
    """Table, line, rule and column of each row that the load would keep aside by itself, in table order.

    The rule that came with the row goes before those that its cells break.
    """
    write(folder, {"all.ndjson": resources})
    found = []
    for (table, _), frame in pieces(folder).items():
        by_cells = typed(frame.drop("rule", "fault_column"), TABLES[table], "Europe/London")
        for given, own in zip(frame.iter_rows(named=True), by_cells.iter_rows(named=True), strict=True):
            fault = given if given["rule"] else own
            if fault["rule"]:
                found.append((table, given["row_number"], fault["rule"], fault["fault_column"]))
    return found
