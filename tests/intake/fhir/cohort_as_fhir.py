"""Writes the tables of an invented cohort as FHIR R4 bulk data, in all the ways that the standard allows."""

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import polars as pl

from tests.intake.fhir.resources import (
    CATEGORY,
    DEVICE_CODE,
    PHYSICAL_TYPE,
    SNOMED,
    Resource,
    component,
    concept,
    encounter,
    observation,
    patient,
    quantity,
    saturation,
    write,
)

Row = dict[str, Any]

# SNOMED CT; sources in pipeline/intake/fhir/codes.py. A simple mask has no code of its own there.
CODE_OF_DEVICE = {
    "room_air": "722742002",
    "nasal_cannula": "336623009",
    "air_entrainment_mask": "428285009",
    "reservoir_mask": "427591007",
    "high_flow_nasal": "426854004",
    "cpap": "467645007",
    "bilevel_niv": "425826004",
    "invasive_ventilation": "26412008",
    "tracheostomy_mask": "465839001",
    "oxygen_driven_nebuliser": "334947002",
}
# LOINC, by sample. Source: as above.
GAS_CODES = {
    "ph": {"arterial": "2744-1", "capillary": "2745-8", "venous": "2746-6"},
    "pco2_kpa": {"arterial": "2019-8", "capillary": "2020-6", "venous": "2021-4"},
    "po2_kpa": {"arterial": "2703-7", "capillary": "2704-5", "venous": "2705-2"},
    "bicarbonate_mmol_l": {"arterial": "1960-4", "capillary": "1961-2", "venous": "14627-4"},
}
GAS_UNITS = {"ph": "[pH]", "pco2_kpa": "kPa", "po2_kpa": "kPa", "bicarbonate_mmol_l": "mmol/L"}
# 1 mmHg = 133.322387415 Pa (NIST SP 811).
KPA_PER_MMHG = 0.133322387415


def written(at: datetime, hours_east: int = 0) -> str:
    """UTC as an instant with an offset."""
    return at.replace(tzinfo=UTC).astimezone(timezone(timedelta(hours=hours_east))).isoformat()


def write_cohort(tables: dict[str, pl.DataFrame], folder: Path, mmhg: bool = False) -> Path:
    """Writes the folder; what the standard cannot say goes into side files in the form of the extract.

    The observations of all kinds are shuffled over two files, so that what belongs together stands far apart.
    """
    sites, wards = (sorted(set(tables[t][c].drop_nulls())) for t, c in (("stays", "site"), ("wards", "ward")))
    observations = [
        *_readings(tables["readings"]),
        *_devices(tables["devices"].filter(can_be_said())),
        *_gases(tables["gases"], mmhg),
    ]
    random.Random(1).shuffle(observations)
    half = len(observations) // 2
    write(
        folder,
        {
            "Patient.ndjson": (patient(key, sex) for key, sex in _people(tables["stays"])),
            "Organization.ndjson": (
                {"resourceType": "Organization", "id": f"site-{n}", "name": name} for n, name in enumerate(sites)
            ),
            "Location.ndjson": _locations(wards),
            "Device.ndjson": (
                {"resourceType": "Device", "id": f"kind-{code}", "type": concept(code, system=SNOMED)}
                for code in CODE_OF_DEVICE.values()
            ),
            "Encounter.ndjson": _encounters(tables["stays"], tables["wards"], sites, wards),
            "Observation.000.ndjson": observations[:half],
            "Observation.001.ndjson.gz": observations[half:],
        },
    )
    form = "%Y-%m-%dT%H:%M:%SZ"
    tables["targets"].write_csv(folder / "targets.csv", datetime_format=form)
    tables["flags"].write_csv(folder / "flags.csv", datetime_format=form)
    tables["devices"].filter(~can_be_said()).write_csv(folder / "devices.csv", datetime_format=form)
    return folder


def can_be_said() -> pl.Expr:
    """Whether FHIR can say a device record: the device has a code, or is of no stated kind with a flow."""
    flows = pl.col("flow_l_min").is_not_null()
    nebulised = (pl.col("device") == "oxygen_driven_nebuliser") & ~flows
    return (pl.col("device").is_in(list(CODE_OF_DEVICE)) & ~nebulised) | ((pl.col("device") == "other") & flows)


def _people(stays: pl.DataFrame) -> list[tuple[str, str]]:
    return stays.select("patient_key", "sex").unique("patient_key", maintain_order=True).rows()


def _locations(wards: list[str]) -> Iterator[Resource]:
    """Every ward, and a bed in each."""
    for number, name in enumerate(wards):
        kind = {"physicalType": concept("wa", system=PHYSICAL_TYPE)}
        yield {"resourceType": "Location", "id": f"ward-{number}", "name": name, **kind}
        kind = {"physicalType": concept("bd", system=PHYSICAL_TYPE)}
        ward = {"partOf": {"reference": f"Location/ward-{number}"}}
        yield {"resourceType": "Location", "id": f"bed-{number}", "name": "bed 1", **kind, **ward}


def _encounters(stays: pl.DataFrame, moves: pl.DataFrame, sites: list[str], wards: list[str]) -> Iterator[Resource]:
    by_stay = {key[0]: frame.rows(named=True) for key, frame in moves.partition_by("stay_id", as_dict=True).items()}
    for number, row in enumerate(stays.iter_rows(named=True)):
        ended = row["discharged_at"]
        period = {"start": written(row["admitted_at"])} | ({"end": written(ended, 1)} if ended else {})
        stops = [
            {
                # By turns to the ward itself and to a bed in it.
                "location": {"reference": f"Location/{('ward', 'bed')[n % 2]}-{wards.index(move['ward'])}"},
                "status": "completed",
                "period": {"start": written(move["entered_at"], n % 3)},
            }
            for n, move in enumerate(by_stay.get(row["stay_id"], []))
        ]
        yield encounter(
            id=row["stay_id"],
            status="finished" if ended else "in-progress",
            subject={"reference": f"https://fhir.invented.example/Patient/{row['patient_key']}/_history/{number}"},
            period=period,
            serviceProvider={"reference": f"Organization/site-{sites.index(row['site'])}"} if row["site"] else None,
            location=stops or None,
        )


def _of(row: Row, at: datetime, number: int) -> Row:
    """Where and when: the encounter referred to in one of three ways, the time in one of two."""
    reference = ("Encounter/{}", "urn:uuid:{}", "https://fhir.invented.example/Encounter/{}/_history/1")[number % 3]
    time = {"effectiveDateTime": written(at, number % 2)} if number % 5 else {"effectiveInstant": written(at)}
    time = {"effectiveDateTime": None} | time
    return {"id": f"o{number}", "encounter": {"reference": reference.format(row["stay_id"])}, **time}


def _readings(readings: pl.DataFrame) -> Iterator[Resource]:
    """The respiratory rate by turns as a component and as an observation of its own."""
    for number, row in enumerate(readings.iter_rows(named=True)):
        common, rate = _of(row, row["taken_at"], number), row["respiratory_rate"]
        if rate is None:
            yield saturation(row["spo2_percent"], **common)
        elif number % 2:
            yield saturation(row["spo2_percent"], **common, component=[component("9279-1", quantity(rate, "/min"))])
        else:
            yield saturation(row["spo2_percent"], **common)
            yield observation(concept("9279-1"), quantity(rate, "{breaths}/min"), **common | {"id": f"rate-{number}"})


def _devices(devices: pl.DataFrame) -> Iterator[Resource]:
    for number, row in enumerate(devices.iter_rows(named=True)):
        common = _of(row, row["started_at"], number)
        if row["ended_at"]:
            times = {"start": written(row["started_at"]), "end": written(row["ended_at"])}
            common |= {"effectiveDateTime": None, "effectiveInstant": None, "effectivePeriod": times}
        code = CODE_OF_DEVICE.get(row["device"])
        named = _naming(code, number) if code else {}
        flow = None if row["flow_l_min"] is None else quantity(row["flow_l_min"], "L/min")
        fraction = row["fio2_fraction"]
        if fraction is not None:
            fraction = quantity(fraction, "1") if number % 2 else quantity(round(fraction * 100, 6), "%")
        if flow and fraction and number % 3:
            # As two observations; the first names the device.
            yield observation(concept("3151-8"), flow, **common | named)
            yield observation(concept("3150-6"), fraction, **common | {"id": f"concentration-{number}"})
        elif flow:
            parts = [component("3150-6", fraction)] if fraction else []
            yield observation(concept("3151-8"), flow, **common | named | {"component": parts or None})
        elif fraction:
            yield observation(concept("19994-3"), fraction, **common | named)
        elif code:
            yield observation(concept(code, system=SNOMED), **common)


def _naming(code: str, number: int) -> Row:
    """The device as a code, by turns in the four places that R4 has for it."""
    kind = concept(code, system=SNOMED)
    return (
        {"extension": [{"url": DEVICE_CODE, "valueCodeableConcept": kind}]},
        {"method": kind},
        {"device": {"reference": f"Device/kind-{code}"}},
        {"extension": [{"url": DEVICE_CODE, "valueCodeableConcept": kind}], "method": kind},
    )[number % 4]


def _gases(gases: pl.DataFrame, mmhg: bool) -> Iterator[Resource]:
    """By turns a panel with components, and an observation for each value."""
    for number, row in enumerate(gases.iter_rows(named=True)):
        common = _of(row, row["taken_at"], number) | {"category": [concept("laboratory", system=CATEGORY)]}
        values = [
            (codes[row["sample_type"]], _gas_value(row[column], GAS_UNITS[column], mmhg))
            for column, codes in GAS_CODES.items()
            if row[column] is not None
        ]
        fraction = row["fio2_fraction"]
        if fraction is not None:
            values.append(("3150-6", quantity(round(fraction * 100, 6), "%")))
        if number % 2 or fraction is not None:
            yield observation(
                concept("panel of gases", system="urn:invented"),
                **common,
                component=[component(*value) for value in values],
            )
        else:
            for place, value in enumerate(values):
                yield observation(concept(value[0]), value[1], **common | {"id": f"gas-{number}-{place}"})


def _gas_value(value: float, unit: str, mmhg: bool) -> Resource:
    return quantity(value / KPA_PER_MMHG, "mm[Hg]") if mmhg and unit == "kPa" else quantity(value, unit)
