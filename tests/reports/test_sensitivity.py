"""What the section on other choices says: whether one would turn the comparison, and that small groups stay hidden."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.events.choices import choices
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from reports.figures import GroupFigures, Share, State
from reports.month import write_month_report
from reports.sensitivity import section
from tests.reports.reading import read
from tests.stores import made_up_stays, store_with

POLICY = read_policy()
# Below rose clearly; within fell clearly; above on oxygen has no clear change.
FIGURES = GroupFigures(
    "retainer",
    None,
    "2026-05",
    State.SHOWN,
    State.SHOWN,
    patients=60,
    below=Share(0.10, 0.08, 0.12, 0.03, 0.01, 0.05),
    within=Share(0.70, 0.65, 0.75, -0.04, -0.07, -0.01),
    above_on_oxygen=Share(0.15, 0.12, 0.18, 0.01, -0.02, 0.04),
)
OTHERS = replace(FIGURES, group="other", patients=200)
SHARES = ("share_below", "share_within", "share_above_on_oxygen")
NOW, BEFORE = (0.10, 0.70, 0.15), (0.07, 0.74, 0.14)
Figures = dict[tuple[str, str], tuple[float, float, float]]


def table(usual: tuple[float, float, float], others: Figures | None = None, **columns: Any) -> pl.DataFrame:
    """`sensitivity` of one month: every choice as adopted, but those given for retainers."""
    rows = []
    for choice in choices(POLICY).iter_rows(named=True):
        for group in ("retainer", "other", None):
            changed = (others or {}).get((choice["value"], str(group)), usual)
            shares = changed if choice["moves_shares"] else (None,) * 3
            rows.append(
                {name: choice[name] for name in ("choice", "value", "place", "adopted")}
                | dict(zip(SHARES, shares, strict=True))
                | {
                    "group": group,
                    "patients": 60,
                    "patients_observed": 60 if choice["moves_shares"] else None,
                    "share_unobserved": 0.2 if choice["moves_shares"] else None,
                    "episodes": 12 if choice["moves_episodes"] else None,
                    "episodes_above": 4 if choice["moves_episodes"] else None,
                }
                | {name: value(choice, group) for name, value in columns.items()}
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def told(now: pl.DataFrame, before: pl.DataFrame, *groups: GroupFigures, absent: tuple[str, ...] = ()) -> Any:
    return section(now, before, groups or (FIGURES, OTHERS), POLICY, absent)


def test_nothing_that_moves_is_a_plain_no() -> None:
    found = told(table(NOW), table(BEFORE))
    # Four carries, two weights and two tiers beside those the audit counts by.
    assert found.answer == (
        "No: none of 8 other ways of counting would turn the comparison with April 2026, "
        "or move a share outside its 95 % interval."
    )
    assert not [cell for group in found.groups for line in group.lines for cell in line.cells if cell.outside]


def test_a_share_outside_its_interval_is_named_and_is_not_called_a_turn() -> None:
    """By readings 13 % below: over the 12 % of the interval; a month before 10 %, so it rose there too."""
    now = table(NOW, {("readings", "retainer"): (0.13, 0.68, 0.15)})
    before = table(BEFORE, {("readings", "retainer"): (0.10, 0.72, 0.14)})
    found = told(now, before)
    assert found.answer == (
        "Not the comparison with April 2026: no other way of counting would turn it. In size, 1 of 8 other ways of "
        "counting would move a share outside its 95 % interval: by readings."
    )
    line = next(line for line in found.groups[0].lines if line.name == "by readings")
    assert [cell.outside for cell in line.cells] == [True, False, False]
    assert line.cells[0].figure == "13\xa0%"


@pytest.mark.parametrize(
    ("share", "now", "before", "turns"),
    [
        # A share that clearly rose would have fallen; stood still; risen a little.
        (0, 0.10, 0.11, True),
        (0, 0.10, 0.10, True),
        (0, 0.10, 0.099, False),
        # One that clearly fell would have risen.
        (1, 0.70, 0.69, True),
        (1, 0.70, 0.705, False),
        # No clear change, -2 to +4 points: 5 points more are outside, 1 point less is not.
        (2, 0.15, 0.10, True),
        (2, 0.15, 0.16, False),
    ],
)
def test_a_choice_that_would_turn_the_comparison_is_a_yes(share: int, now: float, before: float, turns: bool) -> None:
    key = ("12", "other")
    later, earlier = (
        table(usual, {key: tuple(value if place == share else each for place, each in enumerate(usual))})  # type: ignore[dict-item]
        for usual, value in ((NOW, now), (BEFORE, before))
    )
    answer = told(later, earlier).answer
    assert answer.startswith("Yes: 1 of 8 other ways") == turns
    words = ("below the band", "within the band", "above it on oxygen")[share]
    assert (f"reading carried 12 h (everybody else {words})" in answer) == turns


def test_without_a_month_before_only_the_size_is_judged() -> None:
    below, within, above = Share(0.1, 0.08, 0.12), Share(0.7), Share(0.15)
    bare = [replace(each, below=below, within=within, above_on_oxygen=above) for each in (FIGURES, OTHERS)]
    now = table(NOW, {("1", "retainer"): (0.2, 0.6, 0.15)})
    none = table(BEFORE).clear()
    assert told(now, none, *bare).answer == (
        "In size, 1 of 8 other ways of counting would move a share outside its 95 % interval: reading carried 1 h. "
        "There is no April 2026 to compare with."
    )
    assert told(table(NOW), none, *bare).answer.startswith("No: none of 8")


def test_many_choices_are_counted_and_the_first_named() -> None:
    others = {(value, "retainer"): (0.2, 0.6, 0.2) for value in ("1", "2", "4", "12", "readings")}
    assert "reading carried 1 h, reading carried 2 h, reading carried 4 h and 2 more (see the tables)." in (
        told(table(NOW, others), table(BEFORE, others)).answer
    )


def test_episodes_are_told_with_their_range_and_the_direction_under_each_choice() -> None:
    now = {"0.24": 40, "0.35": 7, "low": 9, "high": 30, "0.4": 2, "gas": 8, "gas or history": 11}
    before = {"0.24": 30, "0.35": 9, "low": 10, "high": 31, "0.4": 3, "gas": 9, "gas or history": 12}

    def counted(counts: dict[str, int], usual: int) -> Any:
        return lambda choice, group: counts.get(choice["value"], usual) if choice["moves_episodes"] else None

    found = told(table(NOW, episodes=counted(now, 12)), table(BEFORE, episodes=counted(before, 15)))
    assert found.about_episodes == (
        "Episodes of high inspired oxygen in CO2 retainers: 12 as counted, from 2 to 40 under other choices. "
        "Fewer than in April 2026, as under 6 of the 7 other choices."
    )
    assert [line.name for line in found.episodes] == [
        "as counted",
        "blood gas only",
        "gas or history",
        "high: over 24\xa0%",
        "high: over 35\xa0%",
        "high: over 40\xa0%",
        "lowest estimate",
        "highest estimate",
    ]


def tiers(gas: int, history: int, target: int) -> Any:
    sizes = {"gas": gas, "gas or history": history, "gas or history or target": target}
    return lambda choice, group: sizes.get(choice["value"], target)


@pytest.mark.parametrize(
    ("sizes", "hidden"),
    [
        # Each eight patients apart, or not at all: nothing to hide.
        ((8, 16, 24), set()),
        ((24, 24, 24), set()),
        # Few in the smallest tier; few between two, so that the difference would tell of them.
        ((7, 20, 40), {"blood gas only"}),
        ((17, 18, 40), {"blood gas only"}),
        ((10, 35, 40), {"gas or history"}),
        # The middle one is hidden for its distance from all; the smallest is too near to all as well.
        ((34, 36, 40), {"blood gas only", "gas or history"}),
    ],
)
def test_tiers_are_shown_only_as_far_apart_as_nobody_is_told_of(sizes: tuple[int, int, int], hidden: set[str]) -> None:
    now = table(NOW, patients=tiers(*sizes), patients_observed=tiers(*sizes))
    found = told(now, table(BEFORE))
    assert {line.name for line in found.groups[0].lines if line.why} == hidden
    assert {"blood gas only", "gas or history"} - {line.name for line in found.episodes} == hidden
    for line in found.groups[0].lines:
        if line.why:
            assert {cell.figure for cell in line.cells} == {"\N{EN DASH}"}


def test_a_choice_under_which_few_are_observed_is_hidden_and_not_judged() -> None:
    def observed(choice: dict[str, Any], group: str | None) -> int | None:
        return 7 if choice["value"] == "1" else 60 if choice["moves_shares"] else None

    now = table(NOW, {("1", "retainer"): (0.9, 0.1, 0.0)}, patients_observed=observed)
    found = told(now, table(BEFORE))
    assert found.answer.startswith("No: none of 7 other ways")
    assert [line.name for line in found.groups[0].lines if line.why] == ["reading carried 1 h"]


def test_a_group_that_is_not_shown_says_why_and_is_in_no_sentence() -> None:
    few = replace(FIGURES, state=State.TOO_FEW)
    found = told(table(NOW, {("1", "retainer"): (0.9, 0.1, 0.0)}), table(BEFORE), few, OTHERS)
    assert (found.groups[0].why, found.groups[0].lines) == ("too few patients to tell", ())
    assert (found.about_episodes, found.episodes) == ("", ())
    assert found.answer.startswith("No: none of 8")
    nobody = [replace(each, state=State.NOBODY) for each in (FIGURES, OTHERS)]
    assert told(table(NOW), table(BEFORE), *nobody).answer.startswith("Nothing to compare")


def test_without_devices_nothing_is_said_above_the_band_or_of_episodes() -> None:
    """Nobody is known to be on oxygen: above it is left empty as on the first screen."""
    untold = [replace(each, above_on_oxygen=Share()) for each in (FIGURES, OTHERS)]
    found = told(table((0.1, 0.7, 0.0)), table((0.07, 0.74, 0.0)), *untold, absent=("devices",))
    assert {line.cells[2].figure for line in found.groups[0].lines} == {"\N{EN DASH}"}
    assert not found.groups[0].drawings[1][1]
    assert (found.about_episodes, found.episodes) == ("", ())


def test_the_page_of_a_measured_store_holds_the_figures_of_the_table(tmp_path: Path) -> None:
    with store_with(made_up_stays(480, seed=4)) as connection:
        measure_store(connection, POLICY)
        page = write_month_report(connection, tmp_path, "2025-11", POLICY).read_text(encoding="utf-8")
        rows = connection.execute(
            "select value, share_below from sensitivity where month = '2025-11' and \"group\" = 'retainer' "
            "and choice = 'reading_carry_hours' and not adopted order by place"
        ).fetchall()
    tables = [[[cell.strip() for cell in row] for row in each] for each in read(page).tables]
    drawn = [each for each in tables if each[0][0] == "Choice" and len(each[0]) == 5]
    figures = {row[0]: row[1] for row in drawn[0][1:]}
    assert len(rows) == 4
    for value, share in rows:
        text = figures[f"Reading carried {value} h"]
        assert text.startswith(f"{100 * share:.0f}\xa0%" if share >= 0.0995 else f"{100 * share:.1f}\xa0%")
    assert page.count('id="sensitivity"') == page.count('id="literature"') == 1
