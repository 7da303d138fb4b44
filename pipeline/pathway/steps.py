"""Every step of the pathway of a patient at risk from too much oxygen, said once.

The measures, the case page and the report take their words from here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

_OXYGEN_GUIDELINE = (
    "O'Driscoll et al., BTS guideline for oxygen use in adults in healthcare and emergency settings, "
    "Thorax 2017;72(Suppl 1):ii1-ii90"
)
_VENTILATION_GUIDELINE = (
    "Davidson et al., BTS/ICS guideline for the ventilatory management of acute hypercapnic respiratory failure in "
    "adults, Thorax 2016;71(Suppl 2):ii1-ii35"
)
_VENTILATION_STANDARDS = (
    "British Thoracic Society, quality standards for acute non-invasive ventilation in adults (2018)"
)


@dataclass(frozen=True)
class Step:
    """One step: its id, a title in plain words, when its clock starts and ends, and what is asked for.

    limit: name of the threshold of the policy that holds the limit in minutes; None where none is published.
    """

    id: str
    title: str
    clock: str
    limit: str | None
    standard: str
    source: str


_STEPS = (
    Step(
        "target_prescribed",
        "A target saturation prescribed",
        "From the first time on oxygen in the stay until a target is in force.",
        "target_within_minutes",
        "A target range is to be prescribed on admission, or as soon as an emergency allows.",
        f"{_OXYGEN_GUIDELINE}. The hour, counted from the first oxygen, is a choice of this audit.",
    ),
    Step(
        "suited_target",
        "A target of up to 92 % prescribed once CO2 retention was known",
        "From the first retaining gas or recorded history in the stay until a target of up to 92 % is in force.",
        None,
        "88-92 % for patients at risk of CO2 retention. Guidelines differ on who may move to a higher target later.",
        f"{_OXYGEN_GUIDELINE}; NICE quality standard QS10, statement 6 (2016). The clock is a choice of this audit.",
    ),
    Step(
        "controlled_oxygen",
        "Controlled oxygen once a gas had shown CO2 retention",
        "From the first retaining gas in the stay, if on oxygen then, until oxygen is controlled, ended or replaced by "
        "bilevel or invasive ventilation.",
        None,
        "24 % or 28 % by air-entrainment mask, or 1-2 L/min by nasal cannula, raised only where the band asks for it.",
        f"{_OXYGEN_GUIDELINE}, summary table 4. The clock is a choice of this audit.",
    ),
    Step(
        "gas_after_more_oxygen",
        "A blood gas after oxygen was started or raised",
        "From each start or rise of oxygen with evidence of CO2 retention until the next arterial or capillary gas.",
        "gas_after_change_minutes",
        "Blood gases are to be checked again 30 to 60 minutes after oxygen is started or raised.",
        f"{_OXYGEN_GUIDELINE}, summary table 4.",
    ),
    Step(
        "bilevel_after_gas",
        "Bilevel ventilation for acidosis that persisted under treatment",
        "From the gas that still shows acidosis with CO2 retention after an hour to bilevel or invasive ventilation.",
        "ventilation_after_gas_minutes",
        "Within 60 minutes of the blood gas that defines the need.",
        f"{_VENTILATION_STANDARDS}. The gas that defines the need: {_VENTILATION_GUIDELINE} (pH below 7.35 and pCO2 "
        "above 6.5 kPa); after at most an hour of treatment: BTS guideline on non-invasive ventilation (2008).",
    ),
    Step(
        "bilevel_after_arrival",
        "Bilevel ventilation for acidosis found on arrival",
        "From admission until bilevel or invasive ventilation, where a gas within two hours shows acidosis with CO2 "
        "retention.",
        "ventilation_after_arrival_minutes",
        "Within 120 minutes of arrival.",
        f"{_VENTILATION_STANDARDS}. Arrival is taken as the start of the stay.",
    ),
    Step(
        "stepped_down",
        "Oxygen lowered when the saturation was above the band",
        "From the first reading above the band on oxygen until oxygen is lowered or ended.",
        None,
        "Lower oxygen when the patient is stable and above the band, or 4-8 hours in its upper part.",
        f"{_OXYGEN_GUIDELINE}, section 11.",
    ),
    Step(
        "oxygen_stopped",
        "Oxygen stopped when it was no longer needed",
        "From the second of two readings in a row in or above the band on the lowest oxygen until room air.",
        None,
        "Stop when stable on a low concentration and in range on two consecutive observations.",
        f"{_OXYGEN_GUIDELINE}, section 11.",
    ),
    Step(
        "nebuliser_short",
        "An oxygen-driven nebuliser kept short",
        "From the start of the nebuliser until its charted end.",
        "nebuliser_limit_minutes",
        "Drive nebulisers with air in patients at risk; where oxygen must be used, 6 minutes at the most.",
        f"{_OXYGEN_GUIDELINE}; the 6 minutes from memory.",
    ),
)

STEPS: Mapping[str, Step] = MappingProxyType({step.id: step for step in _STEPS})
