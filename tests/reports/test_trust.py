"""How far to trust a month: on whom it rests, what was not seen, and whether the data were whole."""

from dataclasses import replace

from reports.bounds import Bounds
from reports.figures import State
from reports.load_verdicts import Point
from reports.next_steps import Step
from reports.trust import points_of_trust
from tests.reports.places import retainers

ABOVE = Bounds("Time above", "14\xa0%", "", "11\xa0%", "18\xa0%")
BELOW = Bounds("Time below", "1.5\xa0%", "", "1.1\xa0%", "25\xa0%")
FOUND = {"share_above_on_oxygen": ABOVE, "share_below": BELOW}
OTHERS = replace(retainers(), group="other", patients=166)


def point(title: str, verdict: str = "met", failed: bool = False) -> Point:
    return Point(title, "", "", "", verdict, failed, (), 0, "", 1, (), 0)


def made(
    found: dict[str, Bounds] = FOUND,
    load: tuple[Point, ...] = (point("Every ward has readings"),),
    few: bool = False,
) -> dict[str, Step]:
    group = replace(retainers(), state=State.TOO_FEW, patients=None) if few else retainers()
    steps = points_of_trust(group, OTHERS, "They count by a gas.", "No: none of 7 other ways would.", found, load)
    return {step.lead: step for step in steps}


def test_patients_and_evidence_come_first() -> None:
    first = next(iter(made().values()))
    assert first.rest == (
        "The shares rest on 31 patients who retain CO2 and 166 patients who do not, as far as is known. With few "
        "patients the intervals are wide: a change inside them is no change. They count by a gas."
    )


def test_a_group_too_small_to_show_is_not_counted() -> None:
    first = next(iter(made(few=True).values()))
    assert "166" not in first.rest
    assert "too few patients" in first.rest


def test_other_ways_of_counting_are_quoted() -> None:
    assert made()["Would another way of counting change the answer?"].rest == "No: none of 7 other ways would."


def test_what_was_not_seen_is_told_for_both_sides_or_not_at_all() -> None:
    assert made()["What was not seen?"].rest == (
        "Had everything been seen, time above the band on oxygen would lie between 11\xa0% and 18\xa0% (counted: "
        "14\xa0%), time below it between 1.1\xa0% and 25\xa0% (counted: 1.5\xa0%), all patients together. Neither end "
        "is likely."
    )
    hidden = {**FOUND, "share_below": replace(BELOW, lowest="\N{EN DASH}", highest="\N{EN DASH}")}
    assert "What was not seen?" not in made(hidden)
    assert "What was not seen?" not in made({"share_below": BELOW})


def test_points_of_the_load_that_failed_are_named_and_others_counted() -> None:
    whole = (point("A"), point("B"), point("C", "not applicable"))
    assert made(load=whole)["Were the data whole?"].rest == (
        "All 2 points that could be judged are met; 1 had nothing to be judged by."
    )
    broken = (*whole, point("Every day has readings", "not met", failed=True))
    assert made(load=broken)["Were the data whole?"].rest == (
        "Outside their limits or not checked: “Every day has readings”."
    )
    assert made(load=())["Were the data whole?"].rest == "No load in this store was judged as a whole."


def test_the_instruments_are_always_named() -> None:
    assert "may be 86 to 94\xa0% in the artery" in made()["The instruments err."].rest
