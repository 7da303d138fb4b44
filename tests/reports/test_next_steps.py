"""What to do next: three to five sentences of audit and governance, each computed, none about one patient's oxygen."""

import re
from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from pipeline.catalogue import read_measures
from reports.figures import GroupFigures, State
from reports.next_steps import Step, steps
from tests.reports.places import MONTH, place, retainers, rows_of

SMALL = 8
MEASURES = read_measures()
NO, MORE = (0.0, -0.1, 0.1), (0.2, 0.05, 0.3)
EVEN = rows_of(
    *(place("ward", ward, (1, 20, 5), NO, NO) for ward in ("A", "B")),
    *(place("device", device, (1, 20, 5), NO, NO) for device in ("simple_mask", "nasal_cannula")),
)
NOTHING_MEASURED = pl.DataFrame(
    schema={
        "measure_id": pl.String,
        "month": pl.String,
        "ward": pl.String,
        "group": pl.String,
        "result": pl.Float64,
        "low": pl.Float64,
        "high": pl.Float64,
        "suppressed": pl.Boolean,
    }
)


def made(
    rows: pl.DataFrame = EVEN,
    figures: GroupFigures | None = None,
    measured: pl.DataFrame = NOTHING_MEASURED,
    any_to_review: bool = True,
    absent: tuple[str, ...] = (),
) -> dict[str, Step]:
    """The steps by the section they lead to; the last of two that lead to one section is not lost: there is none."""
    found = steps(rows, figures or retainers(), MEASURES, measured, any_to_review, SMALL, absent)
    assert len({step.link for step in found}) == len(found)
    return {step.link: step for step in found}


def results(**shares: tuple[float, float, float] | None) -> pl.DataFrame:
    """Results of measures in CO2 retainers: share with interval; None where it is not shown."""
    rows = [
        (name, MONTH, None, "retainer", *(three or (None, None, None)), three is None) for name, three in shares.items()
    ]
    return pl.DataFrame(rows, schema=NOTHING_MEASURED.schema, orient="row")


# --- where to look first ----------------------------------------------------------------------------------------


def test_the_place_that_stands_apart_with_most_hours_comes_first() -> None:
    rows = rows_of(
        place("ward", "A", (1, 20, 9), MORE, NO),
        place("ward", "B", (1, 80, 30), NO, NO),
        place("device", "simple_mask", (1, 9, 20), MORE, NO),
        place("device", "nasal_cannula", (1, 91, 19), NO, NO),
    )
    step = made(rows)["where"]
    assert step.lead == "Look first at the time on simple mask."
    assert step.rest == (
        "20 h of the 39 h above the band on oxygen lie there: 67\xa0% of the observed time, 47\xa0% on other devices "
        "that give oxygen."
    )


def test_no_place_is_named_where_chance_allows_every_difference() -> None:
    step = made()["where"]
    assert step.lead == "Look at how oxygen is set and lowered everywhere."
    assert "no one place to begin" in step.rest
    assert " A" not in step.rest


def test_a_place_that_rests_on_few_patients_is_not_named() -> None:
    rows = rows_of(place("ward", "A", (1, 20, 9), MORE, NO, with_above=7), place("ward", "B", (1, 20, 1), NO, NO))
    assert made(rows)["where"].lead == "Look at how oxygen is set and lowered everywhere."


def test_a_target_is_never_the_place_to_look_first() -> None:
    rows = rows_of(place("target", "88-92", (1, 20, 9), MORE, NO), place("target", "94-98", (1, 20, 1), NO, NO))
    assert made(rows)["where"].lead == "Look at how oxygen is set and lowered everywhere."


def test_the_device_with_most_hours_is_told_as_a_fact_only_when_it_has_more_than_half() -> None:
    def rest(above: float) -> str:
        rows = rows_of(
            place("device", "simple_mask", (1, 20, above), NO, NO), place("device", "nasal_cannula", (1, 20, 5), NO, NO)
        )
        return made(rows)["where"].rest

    assert "In hours, most of the time above was on simple mask: 6 h of the 11 h." in rest(6)
    assert "In hours" not in rest(5)


def test_time_below_that_stands_apart_is_named_beside_it() -> None:
    rows = rows_of(place("ward", "A", (9, 20, 3), NO, MORE), place("ward", "B", (1, 20, 3), NO, NO))
    assert made(rows)["where"].rest.endswith("Time below the band stands apart on ward A.")


def test_without_time_above_the_band_time_below_comes_first() -> None:
    rows = rows_of(place("ward", "A", (9, 20, 0), NO, MORE), place("ward", "B", (1, 20, 0), NO, NO))
    step = made(rows)["where"]
    assert step.lead == "Look at time below the band first."
    assert "on ward A" in step.rest


# --- what to check ----------------------------------------------------------------------------------------------


def test_the_step_of_the_pathway_met_least_often_is_to_be_checked() -> None:
    step = made(
        measured=results(
            gas_after_more_oxygen=(0.1, 0.04, 0.23),
            target_within_hour=(0.65, 0.45, 0.81),
            bilevel_within_hour_of_gas=None,
        )
    )["measures"]
    assert step.lead == "Check the step “Blood gas in time after oxygen was started or raised”."
    assert "met least often in CO2 retainers: 10\xa0% (4 to 23\xa0%)" in step.rest
    assert "Not clearly apart" not in step.rest


def test_a_step_whose_interval_overlaps_is_named_too() -> None:
    step = made(measured=results(gas_after_more_oxygen=(0.1, 0.04, 0.23), target_within_hour=(0.3, 0.23, 0.5)))[
        "measures"
    ]
    assert "Not clearly apart from it: “Target prescribed within the hour”." in step.rest


def test_a_step_that_is_not_shown_or_not_there_is_not_told() -> None:
    assert "measures" not in made(measured=results(gas_after_more_oxygen=None))
    assert "measures" not in made()
    # Lower is better, or no share of events: no step that was met or not.
    assert "measures" not in made(measured=results(share_below=(0.1, 0.0, 0.2), oxygen_without_target=(0.1, 0.0, 0.2)))


def test_a_measure_that_needs_what_was_not_loaded_is_not_told() -> None:
    measured = results(gas_after_more_oxygen=(0.1, 0.04, 0.23))
    assert "measures" in made(measured=measured)
    assert "measures" not in made(measured=measured, absent=("gases",))


def test_the_stays_listed_are_named_without_their_number() -> None:
    step = made()["stays"]
    assert "audit team" in step.lead
    assert not re.search(r"\d", step.lead + step.rest)
    assert made(any_to_review=False)["stays"].lead == "No stay stands out for review."


def test_both_sides_are_always_told_together() -> None:
    assert made()["trend"].rest == (
        "This month 10 h above on oxygen stand beside 2 h below: less of one with more of the other is no improvement."
    )


# --- what cannot be told ----------------------------------------------------------------------------------------

SEEN = {"observed_s": 700}


@pytest.mark.parametrize(
    ("gaps", "words"),
    [
        (
            {"unobserved_s": 300, "unobserved_on_oxygen_s": 50, "unobserved_on_air_s": 200, "no_target_s": 299},
            ("time without a reading", "For 30\xa0% of", "5.0\xa0% on oxygen", "20\xa0% on air", "monitors"),
        ),
        (
            {"unobserved_s": 100, "no_target_s": 200},
            ("time without a target", "For 20\xa0% of", "Targets charted from the first oxygen on would tell"),
        ),
        (
            {"above_device_unknown_s": 70, "no_target_s": 69},
            ("time with no device charted", "For 10\xa0% of", "Devices charted at least daily would tell"),
        ),
    ],
)
def test_the_largest_gap_is_named_with_what_would_close_it(gaps: dict[str, Any], words: tuple[str, ...]) -> None:
    step = made(figures=retainers(**SEEN | gaps))["quality"]
    assert not [word for word in words if word not in step.lead + step.rest]


def test_nothing_unseen_is_no_gap() -> None:
    assert "quality" not in made(figures=retainers(**SEEN))


def test_tables_that_were_never_loaded_come_before_any_gap() -> None:
    figures = retainers(**SEEN, unobserved_s=300)
    step = made(figures=figures, absent=("gases", "wards"))["quality"]
    assert step.rest == (
        "Without gases and wards it cannot be told whether CO2 retention was looked for and what followed and where in "
        "the hospital it happened."
    )


# --- the whole --------------------------------------------------------------------------------------------------


def test_there_are_three_to_five_where_there_are_figures() -> None:
    full = made(figures=retainers(**SEEN, unobserved_s=300), measured=results(gas_after_more_oxygen=(0.1, 0.04, 0.23)))
    assert list(full) == ["where", "stays", "measures", "trend", "quality"]
    assert list(made()) == ["where", "stays", "trend"]


def test_too_few_patients_leave_only_what_holds_without_figures() -> None:
    few = replace(retainers(), state=State.TOO_FEW, patients=None)
    assert list(made(figures=few)) == ["stays"]
    assert list(made(absent=("devices",))) == ["stays", "quality"]


def test_no_sentence_advises_on_a_patient_or_shows_a_light() -> None:
    rows = rows_of(place("ward", "A", (1, 20, 9), MORE, MORE), place("ward", "B", (1, 20, 1), NO, NO))
    told = " ".join(
        step.lead + " " + step.rest
        for each in (rows, EVEN)
        for step in made(
            each, retainers(**SEEN, unobserved_s=300), results(target_within_hour=(0.3, 0.2, 0.4))
        ).values()
    )
    for word in ("red", "amber", "green", "rating", "fail", "reduce", "titrate", "give", "wean", "the patient"):
        assert not re.search(rf"\b{word}\b", told), word
