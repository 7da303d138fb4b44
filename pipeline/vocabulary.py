"""Every word of the extract, said once: tables, columns, accepted ranges and codes.

The intake, the store, the documentation and the synthetic extract all read the names from here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What a column holds."""

    KEY = "key"
    TIME = "time"
    NUMBER = "number"
    CODE = "code"
    TEXT = "text"


@dataclass(frozen=True)
class Column:
    """One column of the extract. `lowest` and `highest` are accepted values, both included."""

    name: str
    kind: Kind
    required: bool = False
    lowest: float | None = None
    highest: float | None = None
    codes: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True)
class Table:
    """One table of the extract.

    `at` is the time column that must lie inside the stay; `ends` the one that may not lie before it.
    `identity` are the columns that may not repeat with other content.
    """

    name: str
    columns: tuple[Column, ...]
    identity: tuple[str, ...]
    at: str
    ends: str | None = None
    required: bool = False

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


NEBULISER = "oxygen_driven_nebuliser"
ROOM_AIR = "room_air"
DEVICES = (
    ROOM_AIR,
    "nasal_cannula",
    "simple_mask",
    "air_entrainment_mask",
    "reservoir_mask",
    "high_flow_nasal",
    "cpap",
    "bilevel_niv",
    "invasive_ventilation",
    "tracheostomy_mask",
    NEBULISER,
    "other",
)
# On these, oxygen is taken to flow unless flow 0 is charted.
LOW_FLOW_DEVICES = ("nasal_cannula", "simple_mask", "air_entrainment_mask", "reservoir_mask")

RISK_FLAGS = ("previous_hypercapnia", "oxygen_alert", "home_ventilation", "copd", "other_risk")
HISTORY_FLAGS = ("previous_hypercapnia", "oxygen_alert", "home_ventilation")
EXCLUSION_FLAGS = (
    "carbon_monoxide_poisoning",
    "critical_care",
    "end_of_life_care",
    "pneumothorax_high_oxygen",
    "resuscitation",
    "theatre",
)

SAMPLE_TYPES = ("arterial", "capillary", "venous")
RETENTION_SAMPLE_TYPES = ("arterial", "capillary")

BAND_STATES = (
    "below",
    "within",
    "above_on_oxygen",
    "above_on_air",
    "above_device_unknown",
    "unobserved",
    "no_target",
    "excluded",
)
OBSERVED_STATES = BAND_STATES[:5]

# Strongest first.
EVIDENCE = ("gas", "history", "target")
EVIDENCE_IN_WORDS: Mapping[str, str] = {
    "gas": "CO2 retention on a gas in this stay",
    "history": "previous CO2 retention recorded",
    "target": "88-92 % prescribed (weak evidence)",
}
RETAINER_TARGET_UPPER_PERCENT = 92


def _time(name: str, required: bool = False, meaning: str = "") -> Column:
    return Column(name, Kind.TIME, required, meaning=meaning)


def _number(name: str, lowest: float, highest: float, required: bool = False, meaning: str = "") -> Column:
    return Column(name, Kind.NUMBER, required, lowest, highest, meaning=meaning)


_STAY_ID = Column("stay_id", Kind.KEY, True, meaning="Pseudonym of the stay.")

STAYS = Table(
    "stays",
    (
        _STAY_ID,
        Column("patient_key", Kind.KEY, True, meaning="Pseudonym of the patient; the same over all stays."),
        _time("admitted_at", True, "Start of the stay."),
        _time("discharged_at", meaning="End of the stay; empty while the patient is in hospital."),
        Column("site", Kind.TEXT, meaning="Hospital site."),
        Column("specialty", Kind.TEXT, meaning="Specialty in charge."),
        Column("age_band", Kind.TEXT, meaning="Age in bands, for example 70-79."),
        Column("sex", Kind.TEXT, meaning="As recorded."),
    ),
    identity=("stay_id",),
    at="admitted_at",
    ends="discharged_at",
    required=True,
)
WARDS = Table(
    "wards",
    (
        _STAY_ID,
        Column("ward", Kind.TEXT, True, meaning="Ward entered."),
        _time("entered_at", True, "When the patient came to the ward."),
    ),
    identity=("stay_id", "entered_at"),
    at="entered_at",
)
READINGS = Table(
    "readings",
    (
        _STAY_ID,
        _time("taken_at", True, "When the saturation was read."),
        _number("spo2_percent", 50, 100, True, "Oxygen saturation by pulse oximeter, %."),
        _number("respiratory_rate", 1, 80, meaning="Breaths per minute."),
        Column(
            "ews_scale",
            Kind.CODE,
            codes=("1", "2"),
            meaning="Saturation scale of the early-warning score used.",
        ),
        Column("spo2_score", Kind.CODE, codes=("0", "1", "2", "3"), meaning="Saturation score as charted."),
        Column("source", Kind.CODE, codes=("spot", "monitor"), meaning="Spot check or monitor."),
    ),
    identity=("stay_id", "taken_at"),
    at="taken_at",
    required=True,
)
DEVICE_RECORDS = Table(
    "devices",
    (
        _STAY_ID,
        _time("started_at", True, "Start of the device record."),
        Column("device", Kind.CODE, True, codes=DEVICES, meaning="Kind of device."),
        _number("flow_l_min", 0, 80, meaning="Oxygen flow, L/min."),
        _number(
            "fio2_fraction",
            0.21,
            1.0,
            meaning="Recorded inspired fraction; on an air-entrainment mask the printed concentration.",
        ),
        _time("ended_at", meaning="End of the device record, where charted."),
    ),
    identity=("stay_id", "started_at"),
    at="started_at",
    ends="ended_at",
)
TARGETS = Table(
    "targets",
    (
        _STAY_ID,
        _time("prescribed_at", True, "When the target was prescribed."),
        _number("lower_percent", 70, 100, True, "Lower limit of the target, %."),
        _number("upper_percent", 70, 100, True, "Upper limit of the target, %."),
        _time("stopped_at", meaning="When the prescription was stopped."),
    ),
    identity=("stay_id", "prescribed_at"),
    at="prescribed_at",
    ends="stopped_at",
    required=True,
)
GASES = Table(
    "gases",
    (
        _STAY_ID,
        _time("taken_at", True, "When the sample was taken."),
        Column("sample_type", Kind.CODE, True, codes=SAMPLE_TYPES, meaning="Kind of sample."),
        _number("ph", 6.5, 8.0, meaning="pH."),
        _number("pco2_kpa", 1.5, 25, meaning="Partial pressure of carbon dioxide, kPa."),
        _number("po2_kpa", 1, 90, meaning="Partial pressure of oxygen, kPa."),
        Column("bicarbonate_mmol_l", Kind.NUMBER, meaning="Bicarbonate, mmol/L."),
        _number("fio2_fraction", 0.21, 1.0, meaning="Inspired fraction noted with the sample."),
    ),
    identity=("stay_id", "taken_at"),
    at="taken_at",
)
FLAGS = Table(
    "flags",
    (
        _STAY_ID,
        _time("flagged_at", True, "When the flag was set; before admission counts from admission."),
        Column("flag", Kind.CODE, True, codes=RISK_FLAGS + EXCLUSION_FLAGS, meaning="Risk or exclusion."),
        _time("until_at", meaning="When the flag ends; empty: until the end of the stay."),
    ),
    identity=("stay_id", "flagged_at", "flag"),
    at="flagged_at",
    ends="until_at",
)

TABLES: Mapping[str, Table] = {
    table.name: table for table in (STAYS, WARDS, READINGS, DEVICE_RECORDS, TARGETS, GASES, FLAGS)
}
