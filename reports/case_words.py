"""What the tables of one stay hold, in plain words."""

from collections.abc import Collection

from pipeline.pathway.steps import STEPS
from pipeline.physiology.entrainment import AS_PRINTED, BELOW_PRINTED, DOUBTFUL, UNKNOWN
from pipeline.physiology.gas_patterns import (
    ACUTE,
    ACUTE_ON_CHRONIC,
    ALKALOSIS,
    CANNOT_TELL,
    COMPENSATED,
    MIXED,
    NO_RETENTION,
    NOT_RAISED,
    PATTERNS_IN_WORDS,
    RETENTION_UNLIKELY,
)
from pipeline.physiology.gas_patterns import UNKNOWN as PATTERN_UNKNOWN
from reports import wording

STATE_IN_WORDS = {
    "below": "below the band",
    "within": "within the band",
    "above_on_oxygen": "above, on oxygen",
    "above_on_air": "above, on air",
    "above_device_unknown": "above, oxygen unknown",
    "unobserved": "not observed",
    "no_target": "no target in force",
    "excluded": "not audited",
}
SCREEN_IN_WORDS = {
    RETENTION_UNLIKELY: "venous: retention unlikely",
    CANNOT_TELL: "venous: proves nothing",
}
SETUP_IN_WORDS = {
    AS_PRINTED: "as printed",
    BELOW_PRINTED: "less flow than any maker prints for it: concentration and total flow cannot be relied on",
    DOUBTFUL: "concentration and flow do not belong together",
    UNKNOWN: "concentration or flow not charted",
}
# Short enough to stand beside a chart; in full they stand in the table.
_PATTERN_SHORT = {
    NO_RETENTION: "No CO2 retention",
    ACUTE: "Acute resp. acidosis",
    ACUTE_ON_CHRONIC: "Acute on chronic acidosis",
    COMPENSATED: "Compensated retention",
    MIXED: "Mixed acidosis",
    NOT_RAISED: "Retention, no acidosis",
    ALKALOSIS: "Retention with alkalosis",
    PATTERN_UNKNOWN: "Pattern cannot be told",
}
# Short enough to stand beside a chart; the full titles stand in the table.
_STEP_SHORT = {
    "target_prescribed": "Target prescribed",
    "suited_target": "Target of up to 92 %",
    "controlled_oxygen": "Controlled oxygen",
    "gas_after_more_oxygen": "Gas after more oxygen",
    "bilevel_after_gas": "Bilevel after a gas",
    "bilevel_after_arrival": "Bilevel after arrival",
    "stepped_down": "Oxygen lowered when above",
    "oxygen_stopped": "Oxygen stopped",
    "nebuliser_short": "Nebuliser kept short",
}
_EXCLUSION_SHORT = {
    "carbon_monoxide_poisoning": "carbon monoxide",
    "end_of_life_care": "end of life",
    "pneumothorax_high_oxygen": "pneumothorax",
}
_FLAG_IN_WORDS = {"copd": "COPD", "other_risk": "other risk of CO2 retention"}
MET, MISSED, UNTOLD = "met", "missed", "could not be told"
DONE, NOT_DONE = "done", "not done"


def in_words(name: str) -> str:
    """A name of the tables as words: `critical_care` is critical care."""
    return name.replace("_", " ")


def device(name: str | None) -> str:
    return "no device charted" if name is None else wording.DEVICE_IN_WORDS.get(name, in_words(name))


def flag(name: str) -> str:
    return _FLAG_IN_WORDS.get(name, in_words(name))


def exclusion_short(flag: str) -> str:
    return _EXCLUSION_SHORT.get(flag, in_words(flag))


def nothing(needed: Collection[str], absent: Collection[str], otherwise: str) -> str:
    """Why there is no row: a table it rests on was never loaded, else what is given."""
    missing = [table for table in needed if table in absent]
    return f"Could not be told: no {' and no '.join(missing)} were loaded." if missing else otherwise


def step_short(step: str) -> str:
    return _STEP_SHORT.get(step, wording.sentence_case(in_words(step)))


def step_title(step: str) -> str:
    return STEPS[step].title if step in STEPS else step_short(step)


def step_result(done: bool, limit_minutes: float | None, in_time: bool | None) -> str:
    """What became of one step: against its limit where one is published, else whether it was done while it was due."""
    if limit_minutes is None:
        return DONE if done else NOT_DONE
    if in_time is None:
        return UNTOLD
    return MET if in_time else MISSED


def pattern(pattern_name: str | None, venous_screen: str | None) -> str:
    """The pattern of one gas, or what a venous one says."""
    if pattern_name is None:
        return SCREEN_IN_WORDS.get(venous_screen or "", "venous: proves nothing")
    return PATTERNS_IN_WORDS.get(pattern_name, in_words(pattern_name))


def pattern_short(pattern_name: str | None) -> str:
    return "Venous: no pattern" if pattern_name is None else _PATTERN_SHORT.get(pattern_name, in_words(pattern_name))


def limits(lower: float | None, upper: float | None) -> str:
    """The limits of a target with an en dash and per cent, or that there was none."""
    if lower is None or upper is None:
        return "none"
    return f"{lower:g}{wording.EN_DASH}{upper:g}{wording.NO_BREAK}%"


def fraction(best: float | None, low: float | None = None, high: float | None = None) -> str:
    """An inspired fraction in per cent with its range; without range where it was recorded.

    >>> fraction(0.36, 0.28, 0.44) == f"36\\xa0% (28{wording.EN_DASH}44)", fraction(0.28, 0.28, 0.28), fraction(None)
    (True, '28\\xa0%', 'not known')
    """
    if best is None:
        return "not known"
    figure = f"{_per_cent(best)}{wording.NO_BREAK}%"
    if low is None or high is None or low == high:
        return figure
    return f"{figure} ({_per_cent(low)}{wording.EN_DASH}{_per_cent(high)})"


def change(value: float | None, decimals: int, unit: str = "") -> str:
    """A difference with its sign and unit; an en dash where there is none to tell."""
    if value is None:
        return wording.NOTHING
    text = wording.exact(abs(value), decimals)
    sign = "+" if value > 0 else wording.MINUS if value < 0 else ""
    return f"{sign}{text}{wording.NO_BREAK}{unit}".rstrip(wording.NO_BREAK)


def minutes(value: float | None) -> str:
    return wording.NOTHING if value is None else wording.duration(60 * value)


def _per_cent(share: float) -> str:
    return f"{round(100 * share, 1):g}"
