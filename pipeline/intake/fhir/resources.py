"""The elements of HL7 FHIR R4 resources that the audit reads.

Only what is declared here is ever decoded; the reader passes over all else. Names, dates of birth, identifiers,
addresses, notes, narrative and display texts are not declared, so they come into no frame, no message and no store. The
one text taken is the name of a ward or a hospital (`Location.name`, `Organization.name`).
"""

import msgspec


class Element(msgspec.Struct, rename="camel", gc=False):
    """An element of a resource; what is not declared is passed over."""


class Coding(Element):
    system: str | None = None
    code: str | None = None


class Concept(Element):
    coding: list[Coding] | None = None


class Reference(Element):
    reference: str | None = None


class Period(Element):
    start: str | None = None
    end: str | None = None


class Quantity(Element):
    value: float | None = None
    comparator: str | None = None
    system: str | None = None
    code: str | None = None


class Valued(Element):
    """What has a code and a value: an observation, or a component of one."""

    code: Concept | None = None
    value_quantity: Quantity | None = None
    value_codeable_concept: Concept | None = None
    # Never looked into: that there is one is enough.
    value_string: msgspec.Raw = msgspec.Raw()
    value_integer: msgspec.Raw = msgspec.Raw()
    value_range: msgspec.Raw = msgspec.Raw()
    value_ratio: msgspec.Raw = msgspec.Raw()


class Extension(Element):
    url: str | None = None
    value_codeable_concept: Concept | None = None


class Observation(Valued, tag_field="resourceType", tag=True):
    status: str | None = None
    category: list[Concept] | None = None
    encounter: Reference | None = None
    effective_date_time: str | None = None
    effective_instant: str | None = None
    effective_period: Period | None = None
    component: list[Valued] | None = None
    method: Concept | None = None
    device: Reference | None = None
    specimen: Reference | None = None
    extension: list[Extension] | None = None


class Stop(Element):
    """One entry of Encounter.location."""

    location: Reference | None = None
    status: str | None = None
    period: Period | None = None


class Encounter(Element, tag_field="resourceType", tag=True):
    id: str | None = None
    status: str | None = None
    kind: Coding | None = msgspec.field(default=None, name="class")
    subject: Reference | None = None
    period: Period | None = None
    service_provider: Reference | None = None
    location: list[Stop] | None = None
    part_of: Reference | None = None


class Patient(Element, tag_field="resourceType", tag=True):
    id: str | None = None
    gender: str | None = None


class Location(Element, tag_field="resourceType", tag=True):
    id: str | None = None
    name: str | None = None
    physical_type: Concept | None = None
    part_of: Reference | None = None


class Organization(Element, tag_field="resourceType", tag=True):
    id: str | None = None
    name: str | None = None


class Device(Element, tag_field="resourceType", tag=True):
    id: str | None = None
    type: Concept | None = None


Resource = Observation | Encounter | Patient | Location | Organization | Device
KINDS = frozenset(kind.__name__ for kind in (Observation, Encounter, Patient, Location, Organization, Device))
