"""How far to trust the figures of a month: on whom they rest, what was not seen, what another choice would turn."""

from collections.abc import Mapping, Sequence

from pipeline.intake.contracts.judge import MET, NOT_APPLICABLE
from reports import wording
from reports.bounds import Bounds
from reports.figures import GroupFigures, State
from reports.load_verdicts import Point
from reports.next_steps import Step


def points_of_trust(
    retainers: GroupFigures,
    others: GroupFigures,
    evidence: str,
    sensitivity: str,
    found: Mapping[str, Bounds],
    load: Sequence[Point],
) -> list[Step]:
    """What to weigh before acting on the month. found: by measure, what it could be had all been seen (all patients).

    evidence and sensitivity: the sentences of the first screen and of the section on other choices.
    """
    return [
        _rests_on(retainers, others, evidence),
        Step("Would another way of counting change the answer?", sensitivity, "sensitivity"),
        *_unseen(found),
        _load(load),
        Step(
            "The instruments err.",
            f"A reading of 90{wording.NO_BREAK}% may be 86 to 94{wording.NO_BREAK}% in the artery, and reads too high "
            "more often in darker skin or with cold hands; the inspired oxygen is an estimate from device and flow. "
            "What followed something in a chart was not thereby caused by it.",
            "cautions",
        ),
    ]


def _rests_on(retainers: GroupFigures, others: GroupFigures, evidence: str) -> Step:
    counts = [
        wording.counted(figures.patients, "patient")
        for figures in (retainers, others)
        if figures.state is State.SHOWN and figures.patients is not None
    ]
    if len(counts) == 2:
        rests = f"The shares rest on {counts[0]} who retain CO2 and {counts[1]} who do not, as far as is known."
    else:
        rests = "Of one group or both there are too few patients to tell anything."
    wide = "With few patients the intervals are wide: a change inside them is no change." if counts else ""
    return Step("How many patients?", " ".join(part for part in (rests, wide, evidence) if part), "definitions")


def _unseen(found: Mapping[str, Bounds]) -> list[Step]:
    above, below = found.get("share_above_on_oxygen"), found.get("share_below")
    known = [each for each in (above, below) if each is not None and each.lowest != wording.NOTHING]
    if above is None or below is None or len(known) < 2:
        return []
    return [
        Step(
            "What was not seen?",
            f"Had everything been seen, time above the band on oxygen would lie between {above.lowest} and "
            f"{above.highest} (counted: {above.result}), time below it between {below.lowest} and {below.highest} "
            f"(counted: {below.result}), all patients together. Neither end is likely.",
            "quality",
        )
    ]


def _load(points: Sequence[Point]) -> Step:
    lead = "Were the data whole?"
    if not points:
        return Step(lead, "No load in this store was judged as a whole.", "quality")
    failed = [point for point in points if point.failed]
    judged = [point for point in points if point.verdict != NOT_APPLICABLE]
    if failed:
        names = wording.listed_in_words([f"“{point.title}”" for point in failed])
        return Step(lead, f"Outside their limits or not checked: {names}.", "quality")
    unjudged = len(points) - len(judged)
    rest = f"All {len(judged)} points that could be judged are {MET.lower()}"
    more = f"; {unjudged} had nothing to be judged by" if unjudged else ""
    return Step(lead, f"{rest}{more}.", "quality")
