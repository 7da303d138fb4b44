"""Where it happened, in words: each title says what its figures say, no more, and below stands beside above."""

import re

import pytest

from reports.figures import State
from reports.where import Question, section
from reports.where_words import hours
from tests.reports.places import place, retainers, rows_of

SMALL = 8
NO = (0.0, -0.1, 0.1)
MORE, LESS = (0.2, 0.05, 0.3), (-0.2, -0.3, -0.05)


def asked(key: str, *places: dict[str, object]) -> Question:
    """The question of that name when these places are all there is."""
    found = section(rows_of(*places), retainers(), SMALL)
    return next(question for question in found.questions if question.key == key)


def test_hours_and_groups_stand_at_the_head() -> None:
    found = section(rows_of(place("day", "weekday", (10, 80, 30)), place("day", "weekend", (2, 20, 8))), retainers(), 8)
    assert found.lead == "CO2 retainers: 38 h above the band on oxygen and 12 h below it, of 150 h of observed time."


def test_most_of_the_time_is_said_with_its_hours_and_with_the_share_there_and_elsewhere() -> None:
    mask = place("device", "simple_mask", (1, 5, 30), above_apart=(0.5, 0.3, 0.7), below_apart=NO)
    found = asked("device", mask, place("device", "room_air", (3, 50, 0)), place("device", "nasal_cannula", (1, 9, 10)))
    assert found.title == "Most of the time above the band on oxygen was on simple mask: 30 h of 40 h"
    assert found.notes[0] == (
        "83\xa0% of the observed time there, 33\xa0% on other devices that give oxygen: more than chance allows."
    )
    assert found.notes[1].startswith("Below the band: most of it on room air, 3 h of 5 h")


def test_less_than_half_is_the_largest_part_and_everything_is_all() -> None:
    parts = [place("ward", name, (1, 20, above), NO, NO) for name, above in (("A", 4), ("B", 3), ("C", 3))]
    assert asked("ward", *parts).title == (
        "The largest part of the time above the band on oxygen was on ward A: 4 h of 10 h"
    )
    all_there = asked("ward", place("ward", "A", (1, 20, 0)), place("ward", "B", (1, 20, 5), NO, NO))
    assert all_there.title == "All of the time above the band on oxygen was on ward B: 5 h of 5 h"


def test_a_difference_that_chance_allows_is_called_none() -> None:
    found = asked("ward", place("ward", "A", (1, 20, 9), NO, NO), place("ward", "B", (1, 20, 1), NO, NO))
    assert "no clear difference" in found.notes[0]
    assert "more than" not in " ".join(found.notes)


def test_an_interval_that_only_touches_0_is_no_difference() -> None:
    touching = place("ward", "A", (1, 20, 9), (0.2, 0.0, 0.4), NO)
    assert "no clear difference" in asked("ward", touching, place("ward", "B", (1, 20, 1), NO, NO)).notes[0]


def test_a_clear_difference_that_rests_on_few_patients_says_so_and_is_not_called_clear() -> None:
    few = place("ward", "A", (1, 20, 9), MORE, NO, with_above=7)
    found = asked("ward", few, place("ward", "B", (1, 20, 1), LESS, NO))
    assert "resting on few patients" in found.notes[0]
    assert "more than chance" not in found.notes[0]
    assert found.places[0].above.compared == "on few patients"
    just_enough = place("ward", "A", (1, 20, 9), MORE, NO, with_above=8)
    assert "more than chance allows" in asked("ward", just_enough, place("ward", "B", (1, 20, 1), LESS, NO)).notes[0]


def test_other_places_that_stand_apart_are_named_with_both_shares() -> None:
    found = asked(
        "ward",
        place("ward", "A", (0, 90, 30), NO, NO),
        place("ward", "B", (0, 10, 10), (0.25, 0.1, 0.4), NO),
        place("ward", "C", (0, 19, 1), (-0.2, -0.3, -0.1), NO),
    )
    assert found.notes[-1] == (
        "Time above also stands apart for B (more: 50\xa0% against 25\xa0%) and C (less: 5.0\xa0% against 25\xa0%)."
    )


def test_targets_are_told_apart_and_never_compared() -> None:
    """The lower a band, the sooner a saturation is above it."""
    found = asked(
        "target", place("target", "88-92", (1, 20, 30), MORE, MORE), place("target", "94-98", (1, 20, 2), LESS)
    )
    assert found.title == "Most of the time above the band on oxygen was under 88\N{EN DASH}92\xa0%: 30 h of 32 h"
    assert found.notes[-1] == "Bands are not compared: the lower one is, the sooner a saturation is above it."
    assert not [note for note in found.notes if "chance" in note or "elsewhere" in note]
    assert {place.above.compared for place in found.places} == {""}


def test_no_time_above_is_said_and_below_is_told_all_the_same() -> None:
    found = asked("ward", place("ward", "A", (6, 20, 0), NO, NO), place("ward", "B", (1, 20, 0), NO, NO))
    assert found.title == "No time above the band on oxygen was observed"
    assert [note for note in found.notes if note.startswith("Below the band: most of it on ward A, 6 h of 7 h")]


def test_no_time_below_is_said() -> None:
    found = asked("ward", place("ward", "A", (0, 20, 5), NO, NO), place("ward", "B", (0, 20, 1), NO, NO))
    assert "No time below the band was observed." in found.notes


def test_places_taken_together_are_named_and_not_called_one_place() -> None:
    others = place("ward", "others", (2, 20, 30), NO, NO, pooled=["Cedar", "", "Birch"])
    found = asked("ward", place("ward", "Alder", (1, 20, 9), NO, NO), others)
    assert found.title == (
        "Most of the time above the band on oxygen was on wards with fewer CO2 retainers, taken together "
        "(Birch, Cedar and no ward recorded): 30 h of 39 h"
    )
    assert [row.name for row in found.places] == ["Alder", "Birch, Cedar and no ward recorded"]
    assert "Taken together" in found.svg


def test_numbers_too_small_are_said_in_place_of_an_answer() -> None:
    found = section(rows_of(place("day", "weekday", (1, 8, 3))), retainers(), SMALL)
    by_key = {question.key: question for question in found.questions}
    assert by_key["device"].title == "By device: not told apart, since the numbers are small"
    assert by_key["when"].title == "By time of day: not told apart, since the numbers are small"
    assert not by_key["device"].svg


def test_one_place_alone_is_no_comparison() -> None:
    assert asked("target", place("target", "88-92", (1, 8, 3))).title == (
        "All of the observed time was under 88\N{EN DASH}92\xa0%"
    )
    assert asked("ward", place("ward", "", (1, 8, 3))).title == "No ward was recorded"


# --- night and day ------------------------------------------------------------------------------------------


def when(night_apart: tuple[float, float, float], **night: int) -> Question:
    opposite = tuple(-number for number in (night_apart[0], night_apart[2], night_apart[1]))
    return asked(
        "when",
        place("night", "night", (3, 60, 37), night_apart, NO, **night),  # type: ignore[arg-type]
        place("night", "day", (6, 74, 20), opposite, NO),  # type: ignore[arg-type]
        place("day", "weekday", (6, 100, 34), LESS, NO),
        place("day", "weekend", (3, 34, 23), MORE, NO),
    )


def test_night_and_day_are_compared_by_shares() -> None:
    assert when(MORE).title == (
        "Above the band on oxygen for more of the night than of the day: 37\xa0% and 20\xa0% of the observed time"
    )
    assert when(LESS).title.startswith("Above the band on oxygen for less of the night than of the day: ")
    assert when(NO).title == (
        "Above the band on oxygen by night much as by day: 37\xa0% and 20\xa0% of the observed time, no clear "
        "difference"
    )
    assert when(MORE, with_above=3).title.endswith("of the observed time, resting on few patients")


def test_below_and_weekends_stand_beside_the_night() -> None:
    below, weekend = when(NO).notes
    assert below == (
        "Below the band: 3.0\xa0% by night, 6.0\xa0% by day, no clear difference. Night is from 20:00 to 08:00."
    )
    assert weekend == (
        "At weekends 38\xa0% above and 5.0\xa0% below, from Monday to Friday 24\xa0% above and 4.3\xa0% below. Above, "
        "more than chance allows; below, no clear difference."
    )


def test_parts_of_the_day_stand_in_the_order_of_the_clock() -> None:
    parts = [place("part_of_day", part, (1, 8, 1), NO, NO) for part in ("20-24", "04-08", "00-04")]
    found = asked("when", place("night", "night", (1, 8, 1), NO, NO), place("night", "day", (1, 8, 1), NO, NO), *parts)
    names = [row.name for row in found.places if ":00" in row.name and "," not in row.name]
    assert names == ["00:00\N{EN DASH}04:00", "04:00\N{EN DASH}08:00", "20:00\N{EN DASH}24:00"]


# --- nothing to show ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "words"),
    [(State.TOO_FEW, "too few patients to tell"), (State.NOBODY, "no such patient"), (State.UNOBSERVED, "too few")],
)
def test_a_group_that_is_not_shown_has_no_places_either(state: State, words: str) -> None:
    found = section(rows_of(place("day", "weekday", (1, 8, 3))), retainers(state), SMALL)
    assert words in found.why
    assert found.questions == ()
    assert not re.search(r"\d+ h", found.why)


def test_without_devices_nobody_is_said_to_be_on_oxygen() -> None:
    found = section(rows_of(place("day", "weekday", (1, 8, 0))), retainers(), SMALL, {"devices"})
    assert "no device records were loaded" in found.why
    assert found.questions == ()


def test_a_hostile_ward_stays_text_in_the_picture() -> None:
    found = asked("ward", place("ward", "<b>A</b>", (1, 8, 3), NO, NO), place("ward", "B", (1, 8, 1), NO, NO))
    assert "<b>" not in found.svg
    assert "&lt;b&gt;" in found.svg


def test_every_picture_says_its_title_to_those_who_do_not_see_it() -> None:
    found = asked("ward", place("ward", "A", (1, 8, 3), NO, NO), place("ward", "B", (1, 8, 1), NO, NO))
    assert f'aria-label="{found.title}. Bars' in found.svg


def test_hours_are_whole() -> None:
    assert [hours(seconds) for seconds in (0, 1, 3599, 3600, 5399, 5400)] == [
        "0 h",
        "under 1 h",
        "under 1 h",
        "1 h",
        "1 h",
        "2 h",
    ]
