"""What the page says of the figures, situation by situation.

The rule that less time above the band with more time below is no improvement, that a change counts only when its
interval leaves 0 out, and that small groups are not judged: common practice in oxygen audit, no source.
"""

import pytest

from reports.figures import GroupFigures, Share, State
from reports.first_screen import evidence_in_words
from reports.sentences import (
    band_finding,
    change_in_words,
    episodes_finding,
    headline,
    trend_title,
    verdict,
    ward_title,
)

UP, DOWN, SAME = (0.03, 0.01, 0.05), (-0.03, -0.05, -0.01), (0.01, -0.01, 0.03)
APRIL = "April 2026"


def figures(
    below: tuple[float, float, float] = SAME,
    above: tuple[float, float, float] = SAME,
    within: tuple[float, float, float] = SAME,
    state: State = State.SHOWN,
    previous: State = State.SHOWN,
    group: str = "retainer",
    episodes: tuple[int, int, int] = (29, 17, 12),
    month: str = "2026-05",
) -> GroupFigures:
    return GroupFigures(
        group,
        None,
        month,
        state,
        previous,
        patients=96,
        below=Share(0.091, 0.07, 0.11, *below),
        within=Share(0.734, 0.71, 0.76, *within),
        above_on_oxygen=Share(0.142, 0.12, 0.17, *above),
        observed_s=86_400 if state is State.SHOWN else 0,
        episodes=episodes[0],
        episodes_above=episodes[1],
        episodes_without_gas_in_time=episodes[2],
    )


@pytest.mark.parametrize(
    ("below", "above", "judged", "why"),
    [
        (SAME, DOWN, f"better than in {APRIL}", "less time above on oxygen and no clear change below"),
        (DOWN, SAME, f"better than in {APRIL}", "less time below and no clear change above on oxygen"),
        (DOWN, DOWN, f"better than in {APRIL}", "less time below and less time above on oxygen"),
        (SAME, UP, f"worse than in {APRIL}", "more time above on oxygen and no clear change below"),
        (UP, SAME, f"worse than in {APRIL}", "more time below and no clear change above on oxygen"),
        (UP, UP, f"worse than in {APRIL}", "more time below and more time above on oxygen"),
        (UP, DOWN, f"not an improvement on {APRIL}", "less time above on oxygen, but more time below"),
        (DOWN, UP, f"not an improvement on {APRIL}", "less time below, but more time above on oxygen"),
        (SAME, SAME, f"no clear change from {APRIL}", ""),
    ],
)
def test_a_month_is_judged_by_below_and_above_together(
    below: tuple[float, float, float], above: tuple[float, float, float], judged: str, why: str
) -> None:
    assert verdict(figures(below, above)) == (judged, why)


@pytest.mark.parametrize("within", [UP, DOWN])
def test_more_or_less_inside_alone_is_neither_better_nor_worse(within: tuple[float, float, float]) -> None:
    judged, why = verdict(figures(within=within))
    assert "inside the band" in judged
    assert not {"better", "worse", "improvement"} & set(judged.split())
    assert why == "no clear change below or above on oxygen"


def test_an_interval_that_only_touches_0_is_no_clear_change() -> None:
    assert verdict(figures(above=(-0.02, -0.04, 0.0)))[0] == f"no clear change from {APRIL}"


def test_below_stands_beside_above_whenever_a_group_is_shown() -> None:
    for below in (UP, DOWN, SAME):
        for above in (UP, DOWN, SAME):
            told = band_finding(figures(below, above)).rest
            assert "below it for 9.1\xa0%" in told
            assert "above it on oxygen for 14\xa0%" in told


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (State.TOO_FEW, "CO2 retainers: too few patients to tell."),
        (State.NOBODY, "CO2 retainers: no such patient this month."),
        (
            State.UNOBSERVED,
            "CO2 retainers: too few to tell, since no saturation was recorded while a target was prescribed.",
        ),
    ],
)
def test_a_group_that_cannot_be_judged_gets_no_figure(state: State, words: str) -> None:
    assert band_finding(figures(state=state)) == (words, "")


@pytest.mark.parametrize(
    ("previous", "words"),
    [
        (State.NOBODY, f"no figures for {APRIL} to compare with"),
        (State.TOO_FEW, f"too few patients in {APRIL} to compare with"),
        (State.UNOBSERVED, f"nothing observed in {APRIL} to compare with"),
    ],
)
def test_without_a_last_month_nothing_is_called_better_or_worse(previous: State, words: str) -> None:
    unchanged = (None, None, None)
    shown = figures(unchanged, unchanged, unchanged, previous=previous)  # type: ignore[arg-type]
    assert verdict(shown) == (words, "")


def test_a_month_without_any_observed_time_gets_one_calm_finding() -> None:
    nothing = figures(state=State.UNOBSERVED)
    nobody = figures(state=State.NOBODY, group="other")
    (only,) = headline(nothing, nobody, nothing, 60)
    assert only.lead == "Nothing can be said about the band in May 2026."


def test_one_group_with_observed_time_is_enough_for_findings_on_both() -> None:
    found = headline(figures(state=State.TOO_FEW), figures(group="other"), figures(month="2026-04"), 60)
    assert [finding.lead for finding in found] == [
        "CO2 retainers: too few patients to tell.",
        f"Everybody else: no clear change from {APRIL}.",
        "High inspired oxygen in CO2 retainers: too few patients to tell.",
    ]


def test_episodes_are_counted_with_the_avoidable_ones_and_those_without_a_gas() -> None:
    told = episodes_finding(figures(), figures(episodes=(36, 22, 14), month="2026-04"), 60)
    assert told.lead == "High inspired oxygen in CO2 retainers: 29 episodes, 17 avoidable."
    assert "12 of the 29 went without a repeat gas within 60 minutes." in told.rest
    assert told.rest.endswith("In April 2026: 36 episodes, 22 avoidable, 14 without that gas.")


def test_no_episode_one_episode_and_none_avoidable_read_as_sentences() -> None:
    before = figures(state=State.NOBODY, month="2026-04")
    assert episodes_finding(figures(episodes=(0, 0, 0)), before, 60).lead.endswith("retainers: no episode.")
    one = episodes_finding(figures(episodes=(1, 0, 0)), before, 60)
    assert one.lead.endswith(": 1 episode, none avoidable.")
    assert "None went without a repeat gas" in one.rest


def test_every_kind_of_evidence_is_named_and_a_small_part_hides_all() -> None:
    told = evidence_in_words({"gas": 10, "target": 14}, 8)
    assert told.startswith("They count as CO2 retainers by a blood gas in this stay (10) and 88")
    assert "weak evidence" in told
    assert "often reversible" in evidence_in_words({"gas": 10, "history": 9, "target": 14}, 8)
    assert not any(digit in evidence_in_words({"gas": 30, "history": 7}, 8) for digit in ("30", "7"))
    assert evidence_in_words({}, 8) == ""


def test_no_sentence_says_that_oxygen_did_anything() -> None:
    told = episodes_finding(figures(), figures(month="2026-04"), 60)
    words = f"{told.lead} {told.rest} {band_finding(figures(UP, DOWN))}".lower()
    assert not any(causal in words for causal in ("because", "caused", "due to", "led to", "resulted"))


def test_a_change_says_so_when_it_may_be_none() -> None:
    assert change_in_words(-0.056, -0.094, -0.018) == "\N{MINUS SIGN}5.6 (\N{MINUS SIGN}9.4 to \N{MINUS SIGN}1.8)"
    assert change_in_words(-0.096, -0.2, -0.0002).endswith("to just under 0)")
    assert change_in_words(0.002, -0.01, 0.02).endswith(", no clear change")
    assert change_in_words(None, None, None) == ""


def written(value: float | None) -> str:
    return f"{value:g}"


def months(*values: float | None) -> list[tuple[str, float | None]]:
    return [(f"2026-{number:02d}", value) for number, value in enumerate(values, start=1)]


def test_twelve_months_rise_or_fall_only_by_a_shift() -> None:
    fell = months(28, 35, 27, 28, 22, 26, 17, 14, 14, 11, 14, 19)
    assert trend_title(fell, written, "2026-12") == "Fell: median 27.5 in the first 6 months, 14 in the last 6"
    rose = [(month, 100 - (value or 0)) for month, value in fell]
    assert trend_title(rose, written, "2026-12") == "Rose: median 72.5 in the first 6 months, 86 in the last 6"
    restless = months(28, 14, 27, 15, 22, 26, 17, 30, 14, 31, 14, 29)
    assert trend_title(restless, written, "2026-12") == "No shift: 28 in January 2026, 29 in December 2026"
    valley = months(30, 31, 32, 10, 11, 12, 13, 14, 15, 33, 34, 35)
    assert trend_title(valley, written, "2026-12") == "Unsteady: 30 in January 2026, 35 in December 2026"


def test_twelve_months_with_gaps_say_what_is_missing() -> None:
    assert trend_title(months(None), written, "2026-01") == "No figure in these twelve months"
    assert trend_title(months(12, None), written, "2026-02") == "No figure for February 2026"
    assert trend_title(months(None, 12), written, "2026-02") == "12 in February 2026, with no earlier month to compare"
    assert trend_title(months(30, None, 12), written, "2026-03") == (
        "Too few months to tell a shift: 30 in January 2026, 12 in March 2026"
    )


def test_wards_are_counted_not_ranked() -> None:
    assert ward_title("Below the band", 0, 6) == "Below the band: no ward stands apart from the hospital's figure"
    assert ward_title("Below the band", 1, 6).startswith("Below the band: 1 of 6 wards shown stands apart")
    assert ward_title("Below the band", 0, 0).endswith("too few patients in every ward to tell")
