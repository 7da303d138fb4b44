"""Words that hospitals' exports use for the columns and codes of the extract, for a first guess at a mapping.

Common practice, no source: plain words of the trade and their usual abbreviations.
"""

import re
from collections.abc import Mapping

from pipeline.vocabulary import Column

_STAY = (
    "stay",
    "encounter",
    "visit",
    "visit occurrence",
    "spell",
    "hospital spell",
    "admission",
    "episode",
    "case",
)
_WHEN = (
    "when",
    "time",
    "datetime",
    "date time",
    "timestamp",
    "date",
    "recorded",
    "charted",
    "observed",
    "observation time",
    "observation date",
    "obs time",
    "obs date",
    "measured",
    "performed",
    "effective",
    "event time",
    "chart time",
)

# Table and column -> what the column may be called, without "id", "no", "at", "time", "date" behind it.
COLUMN_WORDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "stays": {
        "stay_id": _STAY,
        "patient_key": ("patient", "patient key", "person", "subject", "pseudonym", "pseudo", "client"),
        "admitted_at": (
            "admitted",
            "admission",
            "admit",
            "start",
            "arrival",
            "arrived",
            "admission date",
            "admission time",
        ),
        "discharged_at": (
            "discharged",
            "discharge",
            "disch",
            "end",
            "departure",
            "left",
            "discharge date",
            "discharge time",
        ),
        "site": ("site", "hospital", "hospital site", "campus"),
        "specialty": ("specialty", "speciality", "service", "treatment function", "division"),
        "age_band": ("age band", "age group", "age range", "agegrp"),
        "sex": ("sex", "gender"),
    },
    "wards": {
        "stay_id": _STAY,
        "ward": ("ward", "unit", "location", "department", "care unit", "ward code", "ward name"),
        "entered_at": ("entered", "in", "ward in", "from", "start", "transfer", "transferred", "moved", "ward start"),
    },
    "readings": {
        "stay_id": _STAY,
        "taken_at": ("taken", *_WHEN),
        "spo2_percent": (
            "spo2",
            "sp02",
            "sao2",
            "o2 sat",
            "o2 sats",
            "sats",
            "saturation",
            "oxygen saturation",
            "o2sat",
        ),
        "respiratory_rate": ("respiratory rate", "resp rate", "resps", "rr", "respirations", "breaths"),
        "ews_scale": ("ews scale", "spo2 scale", "news scale", "news2 scale", "saturation scale", "scale"),
        "spo2_score": ("spo2 score", "saturation score", "spo2 points", "sats score"),
        "source": ("source", "method", "captured", "entry method"),
    },
    "devices": {
        "stay_id": _STAY,
        "started_at": ("started", "start", *_WHEN),
        "device": (
            "device",
            "o2 device",
            "oxygen device",
            "oxygen delivery",
            "o2 delivery",
            "delivery",
            "delivery method",
        ),
        "flow_l_min": (
            "flow",
            "o2 flow",
            "oxygen flow",
            "flow rate",
            "o2 flow rate",
            "litres",
            "liters",
            "lpm",
            "l min",
        ),
        "fio2_fraction": ("fio2", "fi02", "inspired oxygen", "oxygen concentration", "o2 percent", "o2 concentration"),
        "ended_at": ("ended", "end", "stopped", "stop"),
    },
    "targets": {
        "stay_id": _STAY,
        "prescribed_at": ("prescribed", "ordered", "order", "start", *_WHEN),
        "lower_percent": ("lower", "target lower", "target low", "target min", "low", "minimum", "spo2 target lower"),
        "upper_percent": ("upper", "target upper", "target high", "target max", "high", "maximum", "spo2 target upper"),
        "stopped_at": ("stopped", "stop", "ended", "end", "cancelled"),
    },
    "gases": {
        "stay_id": _STAY,
        "taken_at": ("taken", "collected", "sampled", "sample time", "collection", "specimen time", *_WHEN),
        "sample_type": ("sample type", "sample", "specimen", "specimen type", "gas type", "type", "kind"),
        "ph": ("ph", "blood ph", "arterial ph"),
        "pco2_kpa": ("pco2", "pc02", "paco2", "co2", "carbon dioxide"),
        "po2_kpa": ("po2", "p02", "pao2"),
        "bicarbonate_mmol_l": ("bicarbonate", "hco3", "bicarb", "standard bicarbonate"),
        "fio2_fraction": ("fio2", "fi02", "inspired oxygen"),
    },
    "flags": {
        "stay_id": _STAY,
        "flagged_at": ("flagged", "start", "set", "onset", *_WHEN),
        "flag": ("flag", "alert", "risk", "alert type", "flag type"),
        "until_at": ("until", "end", "ended", "stop", "resolved"),
    },
}
# A target as it is written in one column.
TARGET_RANGE_WORDS = (
    "target",
    "target range",
    "target saturation",
    "spo2 target",
    "target spo2",
    "oxygen target",
    "band",
)
# The two columns of an export with one observation a row.
KIND_WORDS = (
    "observation",
    "observation name",
    "parameter",
    "measure",
    "measurement",
    "item",
    "test",
    "name",
    "type",
    "code",
)
VALUE_WORDS = ("value", "result", "result value", "reading", "numeric value")

# Words that stand for an empty cell, in small letters.
MISSING_WORDS = (
    "null",
    "(null)",
    "n/a",
    "na",
    "nan",
    "none",
    "nil",
    "-",
    "--",
    ".",
    "?",
    "unknown",
    "not recorded",
    "not known",
)

# The first pattern found in the word, in small letters with single blanks, says the code.
_DEVICE_PATTERNS = (
    (r"\bneb", "oxygen_driven_nebuliser"),
    (r"\btrach", "tracheostomy_mask"),
    (r"\bcpap\b", "cpap"),
    (r"\bbi-?level|\bniv\b|non.?invasive|\bbpap\b", "bilevel_niv"),
    (r"\bventilat(?:ed|or)|\bintubat|\bimv\b|\bet ?tube|invasive", "invasive_ventilation"),
    (r"high.?flow|\bhfn|\bhhfn", "high_flow_nasal"),
    (r"venturi|entrain|fixed performance", "air_entrainment_mask"),
    (r"reservoir|non.?re-?breath|\bnrb|\btrauma mask", "reservoir_mask"),
    (r"nasal|\bspecs\b|\bprongs\b|cannula|\bnc\b|\bnp\b", "nasal_cannula"),
    (r"simple|\bface ?mask|\bmedium concentration|\bfm\b|\bmc mask|variable performance|^mask$", "simple_mask"),
    (r"\broom air|\bon air|^air$|^ra$|\bno oxygen|^none$|no device|self ventilating", "room_air"),
    (r"^other", "other"),
)
_SAMPLE_PATTERNS = (
    (r"\bart|\babg\b|^a$", "arterial"),
    (r"\bcap|\bear ?lobe|^c$", "capillary"),
    (r"\bven|\bvbg\b|^v$", "venous"),
)
_SOURCE_PATTERNS = ((r"spot|manual|nurse|hand", "spot"), (r"monitor|auto|continuous|interface", "monitor"))
_FLAG_PATTERNS = (
    (r"previous.*(?:hypercap|co2|carbon dioxide)|hypercapn|co2 retain|type 2|type ii", "previous_hypercapnia"),
    (r"oxygen alert|alert card", "oxygen_alert"),
    (r"home (?:niv|ventil)", "home_ventilation"),
    (r"\bcopd\b|chronic obstructive", "copd"),
    (r"carbon monoxide|co poison", "carbon_monoxide_poisoning"),
    (r"pneumothorax", "pneumothorax_high_oxygen"),
    (r"end of life|palliat|\beolc?\b|last days", "end_of_life_care"),
    (r"resus|cardiac arrest|\bcpr\b", "resuscitation"),
    (r"critical care|intensive care|\bicu\b|\bitu\b|\bhdu\b", "critical_care"),
    (r"theatre|operating|surgery", "theatre"),
    (r"neuromuscular|chest wall|obesity|bronchiect|cystic fibrosis", "other_risk"),
)
_PATTERNS: Mapping[str, tuple[tuple[str, str], ...]] = {
    "device": _DEVICE_PATTERNS,
    "sample_type": _SAMPLE_PATTERNS,
    "source": _SOURCE_PATTERNS,
    "flag": _FLAG_PATTERNS,
}
SPO2_PATTERN = re.compile(r"\bsp[o0]2\b|oxygen saturation|\bo2 ?sats?\b|\bsats\b|59408-5|2708-6")


def guessed_code(word: str, column: Column) -> str | None:
    """The code of the extract that a hospital's word seems to stand for; None where nothing fits."""
    plain = " ".join(word.lower().replace("_", " ").split())
    if plain.replace(" ", "_") in column.codes:
        return plain.replace(" ", "_")
    if column.name in _PATTERNS:
        return next((code for pattern, code in _PATTERNS[column.name] if re.search(pattern, plain)), None)
    # Codes that are digits: "Scale 1".
    digits = re.findall(r"\d+", plain)
    return digits[0] if len(digits) == 1 and digits[0] in column.codes else None


def printed_concentration(word: str) -> float | None:
    """The concentration that stands in the name of a device, as a fraction: 0.28 for "Venturi 28%"."""
    found = re.search(r"\b(2[1-9]|[3-9]\d|100) ?%", word)
    return int(found[1]) / 100 if found else None
