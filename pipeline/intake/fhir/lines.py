"""Decodes the lines of an NDJSON file of FHIR R4 resources, and takes the quantities out of each observation."""

import functools
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import msgspec

from pipeline.intake.fhir.codes import (
    BY_OXIMETER,
    DEVICE_EXTENSION,
    DEVICE_QUANTITIES,
    GAS_QUANTITIES,
    LABORATORY,
    MEANINGS,
    NO_UNIT,
    OBSERVATION_STATUSES,
    UCUM_SYSTEMS,
    Meaning,
)
from pipeline.intake.fhir.resources import (
    KINDS,
    Concept,
    Device,
    Encounter,
    Location,
    Observation,
    Organization,
    Patient,
    Reference,
    Resource,
    Valued,
)

# Stands in a cell for a value that is no number, so that it fails as one and yet shows no text of the file.
NOT_A_NUMBER = "not a quantity"
UNKNOWN_UNIT = "?"
_VERSION = re.compile(r"/_history/[^/]*$")
_COMPARATORS = frozenset(("<", "<=", ">=", ">"))

# A quantity that a line gives: line, encounter, time, quantity, sample or device, number, unit, text instead of a
# number, rule that keeps it aside.
Part = tuple[int, str | None, str | None, str, str | None, float | None, str | None, str | None, str | None]


class _Head(msgspec.Struct):
    kind: str = msgspec.field(name="resourceType")


@dataclass
class Lines:
    """What the lines of one file held.

    parts: one tuple per quantity of an observation, in order. encounters: line number and resource. others: the
    resources that only add a word to these. broken: line number and rule of lines that could not be read. count: lines
    that were not blank. unused: observations of something else. of_other_types: lines with a type of resource that is
    not read; bundles: those of them that are bundles. kinds: types of resource met, used or not.
    """

    parts: list[Part] = field(default_factory=list)
    encounters: list[tuple[int, Encounter]] = field(default_factory=list)
    others: list[Patient | Location | Organization | Device] = field(default_factory=list)
    broken: list[tuple[int, str]] = field(default_factory=list)
    count: int = 0
    unused: int = 0
    of_other_types: int = 0
    bundles: int = 0
    kinds: set[str] = field(default_factory=set)


_known = MEANINGS.get
_decode: Callable[[bytes], Resource] = msgspec.json.Decoder(Resource).decode
_decode_head: Callable[[bytes], _Head] = msgspec.json.Decoder(_Head).decode


def read_lines(lines: Iterable[bytes], first: int, found: Lines) -> int:
    """Adds what the lines hold to `found`; the first has the number `first`. Returns the number after the last."""
    number, observed = first - 1, False
    for number, line in enumerate(lines, first):
        try:
            resource = _decode(line)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
            _note_unread(line, number, error, found)
            continue
        found.count += 1
        if type(resource) is Observation:
            observed = True
            if parts := _parts(resource, number):
                found.parts += parts
            else:
                found.unused += 1
        elif type(resource) is Encounter:
            found.encounters.append((number, resource))
            found.kinds.add("Encounter")
        else:
            found.others.append(resource)  # type: ignore[arg-type]
            found.kinds.add(type(resource).__name__)
    if observed:
        found.kinds.add("Observation")
    return number + 1


def _note_unread(line: bytes, number: int, error: Exception, found: Lines) -> None:
    if not line.strip():
        return
    found.count += 1
    if not isinstance(error, msgspec.ValidationError):
        found.broken.append((number, "not_json"))
        return
    try:
        kind = _decode_head(line).kind
    except msgspec.ValidationError:
        found.broken.append((number, "not_a_resource"))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        found.broken.append((number, "not_json"))
    else:
        found.kinds.add(kind)
        if kind in KINDS:
            found.broken.append((number, "not_a_resource"))
        else:
            found.of_other_types += 1
            found.bundles += kind == "Bundle"


def id_of(reference: Reference | None) -> str | None:
    """The id at the end of a reference: `Encounter/a`, `urn:uuid:a`, a web address; without its version.

    None for a reference into the same resource (`#a`) and for a search (`Encounter?...`), which is no id.
    """
    return _id_in(reference.reference) if reference and reference.reference else None


@functools.lru_cache(maxsize=100_000)
def _id_in(reference: str) -> str | None:
    plain = _VERSION.sub("", reference.strip())
    return None if "?" in plain or "#" in plain else re.split(r"[/:|]", plain)[-1] or None


def meaning_of(concept: Concept | None) -> Meaning | None:
    """What a concept means to the audit; several codings of one thing mean it once.

    Where they name different samples or devices, all of these stand in `detail`, which no code of the vocabulary
    equals, so that the row is kept aside.
    """
    if concept is None or not concept.coding:
        return None
    met: tuple[Meaning, ...] = ()
    for coding in concept.coding:
        meaning = _known((coding.system, coding.code))
        if meaning is not None:
            met += (meaning,)
    return _together(met) if len(met) > 1 else met[0] if met else None


@functools.lru_cache(maxsize=1000)
def _together(met: tuple[Meaning, ...]) -> Meaning:
    quantity = met[0].quantity
    details = [meaning.detail for meaning in met if meaning.quantity == quantity and meaning.detail]
    return Meaning(quantity, ", ".join(sorted(_special(details))) or None)


def _special(details: list[str]) -> list[str]:
    """Each once; without `other` where there is more: "an oxygen mask" does not contradict the kind of mask."""
    different = list(dict.fromkeys(details))
    return [detail for detail in different if detail != "other"] if len(different) > 1 else different


def _parts(observation: Observation, line: int) -> list[Part]:
    """The quantities of one observation: its own, its components', and the device it was given by."""
    own = meaning_of(observation.code)
    if own is None and not observation.component and observation.value_codeable_concept is None:
        return []
    period = observation.effective_period
    at = observation.effective_date_time or observation.effective_instant or (period.start if period else None)
    place = (line, id_of(observation.encounter), at)
    rule = None if observation.status in OBSERVATION_STATUSES else "not_valid_status"
    if own and own.quantity not in ("device", "panel") and not _says_more(observation):
        return [_part(place, own.quantity, own.detail, own, observation, observation, rule)]
    given: list[tuple[Meaning, Valued]] = [(own, observation)] if own else []
    for component in observation.component or ():
        # A component without a value says nothing, unless it is a device by its code.
        meaning = meaning_of(component.code)
        if meaning and (meaning.quantity == "device" or _value(component) != (None, None, None)):
            given.append((meaning, component))
    is_gas = any(meaning.quantity in GAS_QUANTITIES for meaning, _ in given)
    of_samples = {meaning.detail for meaning, _ in given if meaning.quantity in (*GAS_QUANTITIES, "panel")}
    sample = ", ".join(sorted(filter(None, of_samples))) or None
    parts: list[Part] = [
        (*place, kind, None, None, None, device, rule) for kind, device in _devices(observation, given)
    ]
    for meaning, valued in given:
        quantity = "gas_fio2" if meaning.quantity == "concentration" and is_gas else meaning.quantity
        if quantity not in ("device", "panel"):
            parts.append(_part(place, quantity, sample, meaning, valued, observation, rule))
    if period and period.end and any(part[3] in DEVICE_QUANTITIES for part in parts):
        parts.append((*place, "ended_at", None, None, None, period.end, rule))
    return parts


def _says_more(observation: Observation) -> bool:
    """Whether there may be more than one quantity in an observation."""
    return bool(
        observation.component
        or observation.value_codeable_concept
        or observation.effective_period
        or observation.method
        or observation.device
        or observation.extension
    )


def _part(
    place: tuple[int, str | None, str | None],
    quantity: str,
    sample: str | None,
    meaning: Meaning,
    valued: Valued,
    observation: Observation,
    rule: str | None,
) -> Part:
    if quantity == "spo2":
        rule = rule or _fault_of_saturation(meaning, observation)
    return (*place, quantity, sample if quantity in GAS_QUANTITIES else None, *_value(valued), rule)


def _devices(observation: Observation, given: list[tuple[Meaning, Valued]]) -> list[tuple[str, str]]:
    """The devices that an observation names: by its code or value, its method, or the kind of device it was taken
    with; or by reference, where the device is a resource of its own."""
    concepts = [observation.value_codeable_concept]
    concepts += [component.value_codeable_concept for component in observation.component or ()]
    if given:
        concepts.append(observation.method)
        concepts += [e.value_codeable_concept for e in observation.extension or () if e.url in DEVICE_EXTENSION]
    meanings = [meaning for meaning, _ in given] + [meaning for c in concepts if c and (meaning := meaning_of(c))]
    devices = _special([meaning.detail for meaning in meanings if meaning.quantity == "device" and meaning.detail])
    named = [("device", device) for device in devices]
    resource = id_of(observation.device) if given else None
    return [*named, ("device_reference", resource)] if resource else named


def _fault_of_saturation(meaning: Meaning, observation: Observation) -> str | None:
    """A blood sample's saturation shares a code with the oximeter's."""
    if meaning.detail == BY_OXIMETER:
        return None
    categories = [coding.code for concept in observation.category or () for coding in concept.coding or ()]
    return "not_by_oximeter" if observation.specimen or LABORATORY in categories else None


def _value(valued: Valued) -> tuple[float | None, str | None, str | None]:
    """The number and its unit code, or the text that stands for a value that is no plain number."""
    quantity = valued.value_quantity
    if quantity is None:
        others = (valued.value_string, valued.value_integer, valued.value_range, valued.value_ratio)
        concept = valued.value_codeable_concept
        is_other = (concept is not None and meaning_of(concept) is None) or any(map(bytes, others))
        return None, None, NOT_A_NUMBER if is_other else None
    if quantity.value is None:
        return None, None, None
    if quantity.comparator is not None:
        known = quantity.comparator if quantity.comparator in _COMPARATORS else UNKNOWN_UNIT
        return None, None, f"{known} {quantity.value:g}"
    unit = quantity.code if quantity.system in UCUM_SYSTEMS else UNKNOWN_UNIT
    return quantity.value, NO_UNIT if unit is None else unit, None
