"""The words that columns of the store hold, said by the code that writes them; with a meaning where it needs one."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.events.where_it_happened import DAYS, NO_DEVICE, PARTS_OF_DAY, TARGETS
from pipeline.pathway.steps import STEPS
from pipeline.physiology.entrainment import VALVE_SETUPS
from pipeline.physiology.gas_patterns import CANNOT_TELL, PATTERNS_IN_WORDS, RETENTION_UNLIKELY
from pipeline.physiology.oximetry import AGREES, READS_HIGHER, READS_LOWER
from pipeline.vocabulary import (
    BAND_STATES,
    DEVICES,
    EVIDENCE,
    EXCLUSION_FLAGS,
    RETENTION_SAMPLE_TYPES,
    RISK_FLAGS,
    TABLES,
)


@dataclass(frozen=True)
class CodedColumn:
    """A column that holds one of a few words. tables: those it is meant in; empty: every table that has it."""

    name: str
    words: Mapping[str, str]
    tables: tuple[str, ...] = ()


def _plain(*words: str) -> Mapping[str, str]:
    return dict.fromkeys(words, "")


CODED_COLUMNS = (
    CodedColumn("band_state", _plain(*BAND_STATES)),
    CodedColumn("device", _plain(*DEVICES)),
    CodedColumn("excluded", _plain(*EXCLUSION_FLAGS)),
    CodedColumn("flag", _plain(*RISK_FLAGS, *EXCLUSION_FLAGS), ("flags",)),
    CodedColumn("retainer", _plain(*EVIDENCE)),
    CodedColumn("retainer_ever", _plain(*EVIDENCE)),
    CodedColumn("retainer_group", _plain("retainer", "other")),
    CodedColumn("sample_type", _plain(*RETENTION_SAMPLE_TYPES, "venous")),
    CodedColumn("source", _plain(*TABLES["readings"].column("source").codes), ("readings",)),
    CodedColumn("step", {step.id: f"{step.title}. {step.clock}" for step in STEPS.values()}, ("pathway_steps",)),
    CodedColumn("pattern", PATTERNS_IN_WORDS, ("gas_findings",)),
    CodedColumn("venous_screen", _plain(RETENTION_UNLIKELY, CANNOT_TELL), ("gas_findings",)),
    CodedColumn(
        "oximeter_agreement",
        {AGREES: "", READS_HIGHER: "the oximeter, than the gas", READS_LOWER: "the oximeter, than the gas"},
        ("gas_findings",),
    ),
    CodedColumn("setup", _plain(*VALVE_SETUPS), ("valve_stretches",)),
    CodedColumn("direction", _plain("more", "less"), ("oxygen_changes",)),
    CodedColumn("dimension", _plain("part_of_day", "day", "device", "target"), ("where_it_happened",)),
    CodedColumn("value", _plain(*PARTS_OF_DAY, *DAYS, *DEVICES, NO_DEVICE, *TARGETS), ("where_it_happened",)),
    CodedColumn(
        "saturation_during",
        {
            "above": "a reading above the band: could be avoided",
            "below": "a reading below, none above",
            "within": "readings within only",
            "none": "no reading under a target",
        },
        ("high_fio2_episodes", "episode_estimates", "threshold_episodes"),
    ),
    CodedColumn("estimate", _plain("low", "best", "high"), ("episode_estimates",)),
)
_OF_THE_EXTRACT = {code for table in TABLES.values() for column in table.columns for code in column.codes}
ALL_WORDS = frozenset(word for column in CODED_COLUMNS for word in column.words) | _OF_THE_EXTRACT
