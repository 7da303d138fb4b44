"""The codes of HL7 FHIR R4 data that the audit understands: LOINC, SNOMED CT, UCUM and those of FHIR itself.

LOINC and SNOMED CT codes were read in published value sets and profiles: saturation in the R4 profile `oxygensat` and
the US Core pulse oximetry profile; flow and concentration there and in the German inpatient profiles (ISiK); gases in
the German COVID-19 consensus data set (GECCO) and its blood-gas template, bicarbonate in public code lists; devices in
the eCQM value set of non-invasive oxygen therapy (2.16.840.1.113762.1.4.1170.57), in the US Veterans Affairs map of
vital-sign qualifiers and in the N3C guide to ventilation. From memory: 19994-3. A concept that says "a mask" but not
how oxygen is given is `other`, never a guess.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from pipeline.vocabulary import ROOM_AIR

# What the load says of rows that only this way in can find fault with.
FHIR_RULES: Mapping[str, str] = {
    "not_json": "the line is not JSON",
    "not_a_resource": "the line is JSON, but is not built as FHIR R4 says",
    "not_valid_status": "the status says that the entry does not hold (entered in error, cancelled, planned), or there "
    "is no known status",
    "not_inpatient": "the encounter's class is not that of a stay in hospital",
    "no_end": "the encounter is finished but has no end",
    "not_by_oximeter": "a saturation measured in a blood sample, not by pulse oximeter",
    "unknown_unit": "the value has no UCUM unit code that is known for what was measured",
    "no_value": "the observation has no value",
}


class Meaning(NamedTuple):
    """What a code stands for: a quantity, and the sample of a gas or the kind of device where the code says it."""

    quantity: str
    detail: str | None = None


GAS_QUANTITIES: Mapping[str, str] = {
    "ph": "ph",
    "pco2": "pco2_kpa",
    "po2": "po2_kpa",
    "bicarbonate": "bicarbonate_mmol_l",
    "gas_fio2": "fio2_fraction",
}
DEVICE_QUANTITIES: Mapping[str, str] = {
    "device": "device",
    "flow": "flow_l_min",
    "concentration": "fio2_fraction",
    "ended_at": "ended_at",
}
# Becomes `oxygen_driven_nebuliser` where an oxygen flow stands beside it.
ANY_NEBULISER = "nebuliser"
BY_OXIMETER = "by oximeter"

_LOINC: Mapping[str, Meaning] = {
    "59408-5": Meaning("spo2", BY_OXIMETER),
    "59417-6": Meaning("spo2", BY_OXIMETER),  # at rest
    "2708-6": Meaning("spo2"),
    "9279-1": Meaning("respiratory_rate"),
    "3151-8": Meaning("flow"),
    "3150-0": Meaning("concentration"),
    # Found in some profiles; fails the check digit of LOINC, and can only be meant for the one above.
    "3150-6": Meaning("concentration"),
    "19994-3": Meaning("concentration"),  # ventilator setting
    "2744-1": Meaning("ph", "arterial"),
    "2745-8": Meaning("ph", "capillary"),
    "2746-6": Meaning("ph", "venous"),
    "11558-4": Meaning("ph"),
    "2019-8": Meaning("pco2", "arterial"),
    "2020-6": Meaning("pco2", "capillary"),
    "2021-4": Meaning("pco2", "venous"),
    "11557-6": Meaning("pco2"),
    "2703-7": Meaning("po2", "arterial"),
    "2704-5": Meaning("po2", "capillary"),
    "2705-2": Meaning("po2", "venous"),
    "11556-8": Meaning("po2"),
    "1960-4": Meaning("bicarbonate", "arterial"),
    "1961-2": Meaning("bicarbonate", "capillary"),
    "14627-4": Meaning("bicarbonate", "venous"),
    # Panels, whose components or members hold the values.
    "24336-0": Meaning("panel", "arterial"),
    "24337-8": Meaning("panel", "capillary"),
}
_SNOMED: Mapping[str, Meaning] = {
    "431314004": Meaning("spo2", BY_OXIMETER),
    "427081008": Meaning("flow"),  # delivered oxygen flow rate
    "250774007": Meaning("concentration"),  # inspired oxygen concentration
    "722742002": Meaning("device", ROOM_AIR),  # breathing room air
    "336623009": Meaning("device", "nasal_cannula"),  # oxygen nasal cannula
    "466713001": Meaning("device", "nasal_cannula"),  # basic nasal oxygen cannula
    "428285009": Meaning("device", "air_entrainment_mask"),
    "465433006": Meaning("device", "air_entrainment_mask"),
    "427591007": Meaning("device", "reservoir_mask"),  # nonrebreather oxygen mask
    "426854004": Meaning("device", "high_flow_nasal"),
    "467645007": Meaning("device", "cpap"),  # CPAP nasal oxygen cannula
    "47545007": Meaning("device", "cpap"),  # CPAP treatment
    "425826004": Meaning("device", "bilevel_niv"),  # bilevel oxygen nasal cannula
    "243142003": Meaning("device", "bilevel_niv"),  # dual pressure spontaneous ventilation support
    "26412008": Meaning("device", "invasive_ventilation"),  # endotracheal tube
    "465839001": Meaning("device", "tracheostomy_mask"),  # tracheostomy mask, oxygen
    "465256000": Meaning("device", "tracheostomy_mask"),  # tracheostomy mask, aerosol
    "334947002": Meaning("device", ANY_NEBULISER),
    "336602003": Meaning("device", "other"),  # oxygen mask
    "426851007": Meaning("device", "other"),  # aerosol oxygen mask
    "464233000": Meaning("device", "other"),  # partial-rebreathing oxygen face mask
    "425926003": Meaning("device", "other"),  # partial rebreather oxygen mask
    "463587004": Meaning("device", "other"),  # rebreathing oxygen face mask
    "425478008": Meaning("device", "other"),  # blow-by oxygen mask
    "426294006": Meaning("device", "other"),  # face tent
    "464578003": Meaning("device", "other"),  # oxygen administration face tent
    "464225001": Meaning("device", "other"),  # oxygen administration nasal catheter
    "706226000": Meaning("device", "other"),  # CPAP or bilevel mask
}


def _written(place: str, oid: str | None = None) -> Iterator[str]:
    """The ways in which the name of a code system is written: as a web address, or as an object identifier."""
    for scheme in ("http", "https"):
        yield f"{scheme}://{place}"
        yield f"{scheme}://{place}/"
    if oid:
        yield f"urn:oid:{oid}"


MEANINGS: Mapping[tuple[str | None, str | None], Meaning] = {
    (system, code): meaning
    for codes, systems in (
        (_LOINC, tuple(_written("loinc.org", "2.16.840.1.113883.6.1"))),
        (_SNOMED, tuple(_written("snomed.info/sct", "2.16.840.1.113883.6.96"))),
    )
    for code, meaning in codes.items()
    for system in systems
}
# A unit code without a system is taken for UCUM; one of another system is unknown.
UCUM_SYSTEMS = frozenset((None, *_written("unitsofmeasure.org", "2.16.840.1.113883.6.8")))
DEVICE_EXTENSION = frozenset(_written("hl7.org/fhir/StructureDefinition/observation-deviceCode"))

# The value is multiplied by the first and divided by the second. 1 mmHg = 133.322387415 Pa (NIST SP 811, conventional
# millimetre of mercury). An equivalent of bicarbonate is a mole of it. Annotations in braces are taken off before:
# UCUM says that they change nothing, and that one alone is the unit 1.
NO_UNIT = ""
_PRESSURE = {
    "kPa": (1.0, 1.0),
    "mm[Hg]": (0.133322387415, 1.0),
    "Pa": (1.0, 1000.0),
    "hPa": (1.0, 10.0),
}
_FRACTION = {"%": (1.0, 100.0), "1": (1.0, 1.0)}
UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "spo2": {"%": (1.0, 1.0)},
    "respiratory_rate": dict.fromkeys(("/min", "1/min"), (1.0, 1.0)),
    "flow": dict.fromkeys(("L/min", "l/min"), (1.0, 1.0)) | dict.fromkeys(("mL/min", "ml/min"), (1.0, 1000.0)),
    "concentration": _FRACTION,
    "gas_fio2": _FRACTION,
    # pH has no unit, so that none is needed; pH is not a UCUM code, but often written as one.
    "ph": dict.fromkeys(("[pH]", "1", "pH", NO_UNIT), (1.0, 1.0)),
    "pco2": _PRESSURE,
    "po2": _PRESSURE,
    "bicarbonate": dict.fromkeys(("mmol/L", "mmol/l", "meq/L", "meq/l"), (1.0, 1.0)),
}

OBSERVATION_STATUSES = frozenset(("registered", "preliminary", "final", "amended", "corrected", "unknown"))
ENCOUNTER_STATUSES = frozenset(("arrived", "triaged", "in-progress", "onleave", "finished", "unknown"))
PLACE_STATUSES = frozenset((None, "active", "completed"))
# HL7 v3 ActCode: inpatient (acute, non-acute), short stay, observation encounter.
INPATIENT_CLASSES = frozenset(("IMP", "ACUTE", "NONAC", "SS", "OBSENC"))
ACT_CODE_SYSTEMS = frozenset(
    (
        None,
        *_written("terminology.hl7.org/CodeSystem/v3-ActCode", "2.16.840.1.113883.5.4"),
        *_written("hl7.org/fhir/v3/ActCode"),
    )
)
LABORATORY = "laboratory"
# Beds and rooms are parts of a ward (FHIR location-physical-type).
PARTS_OF_A_WARD = frozenset(("bd", "ro"))
SEXES = frozenset(("male", "female", "other", "unknown"))
