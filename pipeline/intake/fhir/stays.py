"""Stays and wards out of FHIR encounters, with the words that other resources add to them."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.intake.fhir.codes import (
    ACT_CODE_SYSTEMS,
    ENCOUNTER_STATUSES,
    INPATIENT_CLASSES,
    PARTS_OF_A_WARD,
    PLACE_STATUSES,
    SEXES,
)
from pipeline.intake.fhir.lines import id_of, meaning_of
from pipeline.intake.fhir.resources import Device, Encounter, Location, Organization, Patient, Period

_PLACES_A_LINE = 1000
_STAY = {
    "file": pl.Int32,
    "line": pl.Int64,
    "stay_id": pl.String,
    "patient_key": pl.String,
    "admitted_at": pl.String,
    "discharged_at": pl.String,
    "site": pl.String,
    "sex": pl.String,
    "rule": pl.String,
    "fault_column": pl.String,
}
_WARD = {
    "file": pl.Int32,
    "line": pl.Int64,
    "stay_id": pl.String,
    "ward": pl.String,
    "entered_at": pl.String,
    "rule": pl.String,
}


@dataclass
class Places:
    """What patients, organisations, locations and devices add: small dictionaries by id.

    sexes: of patients. sites: names of organisations. wards: names of locations. part_of: the location that a bed or
    a room is part of. devices: kind of device, as `fhir_codes` has it.
    """

    sexes: dict[str, str] = field(default_factory=dict)
    sites: dict[str, str] = field(default_factory=dict)
    wards: dict[str, str] = field(default_factory=dict)
    part_of: dict[str, str] = field(default_factory=dict)
    devices: dict[str, str] = field(default_factory=dict)

    def add(self, resources: Sequence[Patient | Organization | Location | Device]) -> None:
        """Takes what resources say that have an id."""
        for resource in resources:
            if not resource.id:
                continue
            if isinstance(resource, Patient):
                if resource.gender in SEXES:
                    self.sexes[resource.id] = str(resource.gender)
            elif isinstance(resource, Device):
                meaning = meaning_of(resource.type)
                if meaning and meaning.quantity == "device" and meaning.detail:
                    self.devices[resource.id] = meaning.detail
            elif isinstance(resource, Location):
                self._add_location(resource.id, resource)
            elif resource.name:
                self.sites[resource.id] = resource.name

    def _add_location(self, own_id: str, location: Location) -> None:
        codings = location.physical_type.coding if location.physical_type else None
        outer = id_of(location.part_of)
        if outer and PARTS_OF_A_WARD & {coding.code for coding in codings or ()}:
            self.part_of[own_id] = outer
        if location.name:
            self.wards[own_id] = location.name

    def ward(self, location: str | None) -> str | None:
        """The name of the ward that a location is, or is part of; its id where no name is known."""
        seen = set()
        while location in self.part_of and location not in seen:
            seen.add(location)
            location = self.part_of[location]
        return self.wards.get(location, location) if location else None


@dataclass
class Stays:
    """The encounters as they stand in the files: file, line and resource. outer: the stay that a part of it is in."""

    encounters: list[tuple[int, int, Encounter]] = field(default_factory=list)
    outer: dict[str, str] = field(default_factory=dict)

    def add(self, encounters: Sequence[tuple[int, Encounter]], file: int) -> None:
        """Takes encounters of one file, each with its line."""
        self.encounters += [(file, line, encounter) for line, encounter in encounters]

    def settle(self) -> None:
        """Finds the outermost inpatient encounter of each one that is part of another."""
        by_id = {encounter.id: encounter for _, _, encounter in self.encounters if encounter.id}
        for own_id, encounter in by_id.items():
            if encounter.status not in ENCOUNTER_STATUSES:
                continue
            seen, found, outer = {own_id}, None, id_of(encounter.part_of)
            while outer in by_id and outer not in seen:
                seen.add(outer)
                found = found if _fault_of(by_id[outer]) else outer
                outer = id_of(by_id[outer].part_of)
            # Encounters that are part of each other stand by themselves.
            if found and outer not in seen:
                self.outer[own_id] = found

    def outermost(self, parts: pl.DataFrame) -> pl.DataFrame:
        """The parts with the outermost encounter as their stay."""
        return parts.with_columns(pl.col("stay").replace(self.outer)) if self.outer else parts


def _fault_of(encounter: Encounter) -> str | None:
    if encounter.status not in ENCOUNTER_STATUSES:
        return "not_valid_status"
    kind = encounter.kind
    if kind is None or kind.system not in ACT_CODE_SYSTEMS or kind.code not in INPATIENT_CLASSES:
        return "not_inpatient"
    if encounter.status == "finished" and not _end(encounter.period):
        return "no_end"
    return None


def _start(period: Period | None) -> str | None:
    return period.start if period else None


def _end(period: Period | None) -> str | None:
    return period.end if period else None


def stay_rows(stays: Stays, places: Places) -> pl.DataFrame:
    """One row per encounter that is not part of an inpatient one."""
    rows = []
    for file, line, encounter in stays.encounters:
        if encounter.id in stays.outer:
            continue
        patient, provider = id_of(encounter.subject), id_of(encounter.service_provider)
        rule = _fault_of(encounter)
        rows.append(
            (
                file,
                line,
                encounter.id,
                patient,
                _start(encounter.period),
                _end(encounter.period),
                places.sites.get(provider, provider) if provider else None,
                places.sexes.get(patient) if patient else None,
                rule,
                "discharged_at" if rule == "no_end" else None,
            )
        )
    return pl.DataFrame(rows, schema=_STAY, orient="row")


def ward_rows(stays: Stays, places: Places) -> pl.DataFrame:
    """One row per location of an encounter that is a stay or part of one, in order.

    `line` is the line and three digits for the place among its locations. Where an encounter has one location and no
    time for it, that is the ward of the whole encounter.
    """
    most = max((len(encounter.location or ()) for _, _, encounter in stays.encounters), default=0)
    step = max(_PLACES_A_LINE, 10 ** len(str(most)))
    rows = []
    for file, line, encounter in stays.encounters:
        is_part = encounter.id in stays.outer
        if not is_part and _fault_of(encounter):
            # Its row of stays is kept aside, and its wards with it.
            continue
        stay = stays.outer[str(encounter.id)] if is_part else encounter.id
        stops = encounter.location or []
        for place, stop in enumerate(stops):
            alone = len(stops) == 1 and stop.period is None
            rows.append(
                (
                    file,
                    line * step + place,
                    stay,
                    places.ward(id_of(stop.location)),
                    _start(encounter.period if alone else stop.period),
                    None if stop.status in PLACE_STATUSES else "not_valid_status",
                )
            )
    return pl.DataFrame(rows, schema=_WARD, orient="row")
