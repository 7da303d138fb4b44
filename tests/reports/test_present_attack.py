"""Nobody can work a small count of patients back from the pages for the board, whatever is added or subtracted.

Source of what has to be hidden: NHS Digital, disclosure control of hospital episode statistics: small counts, their
percentages and complements. What is true is known from the invented patients, not from the tool.
"""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.catalogue import read_measures
from pipeline.declared_changes import DeclaredChange, DeclaredChanges
from pipeline.policy import Policy, read_policy
from reports.present import write_presentation
from reports.wording import month_in_words
from tests.reports.attack import (
    Printed,
    each,
    episodes,
    event_sides,
    is_hidden,
    numbers_of_patients,
    of_html,
    of_slides,
    patients_by_group,
    recovered,
    stays_behind,
    step,
)
from tests.reports.small_hospital import IN_HOUR, MONTHS, TARGET, WARDS, Patient, Sizes, made_up, store_of

TITLES = {measure.id: measure.title for measure in read_measures()}
POLICY = read_policy()
SMALL = int(POLICY.small_count_below)
MOST = 80

shares = st.sampled_from([0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0])
few = st.integers(0, 36)
sizes = st.builds(
    Sizes,
    retainers=st.tuples(few, few),
    others=st.tuples(few, few),
    episode=shares,
    avoidable=shares,
    re_checked=shares,
    target=shares,
    in_hour=shares,
    wards=st.integers(1, 4),
    evenness=st.sampled_from([0.7, 8.0]),
    seed=st.integers(0, 10_000),
)
# One where all that can be shown is shown, and ones in which a group, a side or a complement is small.
LARGE = Sizes((36, 36), (36, 36), 0.6, 0.5, 0.5, 0.5, 0.5, 2, 8.0, 3)
EXAMPLES = (
    LARGE,
    replace(LARGE, avoidable=0.05),
    replace(LARGE, episode=0.95),
    replace(LARGE, episode=0.15),
    replace(LARGE, retainers=(5, 30)),
    replace(LARGE, target=0.95, in_hour=0.95),
    replace(LARGE, target=0.7, in_hour=0.85),
)


class LostTruthError(Exception):
    """What is true is not among what the attack takes for possible: the attack is wrong, or the rule was broken."""


def declared(patients: list[Patient]) -> DeclaredChanges:
    """A change of the whole hospital and one of each ward, all between the two months."""
    first = date(2026, 5, 1)
    wards = sorted({one.ward for one in patients})
    return DeclaredChanges((DeclaredChange(first, "all"), *(DeclaredChange(first, ward, ward) for ward in wards)))


def presented(patients: list[Patient], folder: Path, policy: Policy) -> list[tuple[Printed, Printed]]:
    """The pages of every month, as HTML and as slides."""
    found, changes = [], declared(patients)
    with store_of(patients) as con:
        for month in sorted({one.month for one in patients}):
            html, pptx = write_presentation(con, folder, month, policy, changes)
            found.append((of_html(html.read_text(encoding="utf-8")), of_slides(pptx.read_bytes())))
    return found


def given_away(patients: list[Patient], printed: list[Printed]) -> list[str]:
    """Every small count that the pages of all months together give away, in words."""
    found = [
        f"a number of patients is printed: {number}"
        for one in printed
        for number in numbers_of_patients(one.words)
        if is_hidden(number, SMALL)
    ]
    groups = {month: patients_by_group(one) for month, one in zip(_months(patients), printed, strict=True)}
    for one in printed:
        counts = episodes(one)
        for month in _months(patients):
            if month_in_words(month) in counts:
                found += _events_given_away(patients, month, groups[month]["retainer"], counts[month_in_words(month)])
    for month, one in zip(_months(patients), printed, strict=True):
        found += _steps_given_away([each for each in patients if each.month == month], one)
    return found


def _months(patients: list[Patient]) -> list[str]:
    return sorted({one.month for one in patients})


def _events_given_away(
    patients: list[Patient], month: str, group: int | None, counts: tuple[int | None, int | None, int | None]
) -> list[str]:
    everybody, avoidable, unchecked = counts
    of_month = [one for one in patients if one.month == month and one.retainer]
    with_one = sum(bool(one.episodes) for one in of_month)
    found = []
    for name, part, place, wanted in (("avoidable", avoidable, 0, True), ("not re-checked", unchecked, 1, False)):
        inside = sum(any(one[place] is wanted for one in patient.episodes) for patient in of_month)
        outside = sum(any(one[place] is not wanted for one in patient.episodes) for patient in of_month)
        solutions = event_sides(group, everybody, part, SMALL, MOST)
        if (with_one, inside, outside) not in solutions:
            raise LostTruthError(month, name)
        checks = [
            ("with an episode", each(solutions, lambda s: s[0]), with_one),
            (f"{name}", each(solutions, lambda s: s[1]), inside),
            (f"not {name}", each(solutions, lambda s: s[2]), outside),
        ]
        if group is not None:
            without = each(solutions, lambda s: group - s[0])
            checks.append(("without an episode", without, len(of_month) - with_one))
        found += [f"{month}, {what}: {truth}" for what, possible, truth in checks if recovered(possible, truth, SMALL)]
    return found


def _steps_given_away(patients: list[Patient], printed: Printed) -> list[str]:
    on_oxygen = [one for one in patients if one.on_oxygen]
    truth = {TARGET: sum(one.target for one in on_oxygen), IN_HOUR: sum(one.in_hour for one in on_oxygen)}
    found = []
    behind = {measure: stays_behind(step(printed, TITLES[measure]), len(patients)) for measure in truth}
    for measure, met in truth.items():
        if not behind[measure]:
            continue
        if (met, len(on_oxygen)) not in behind[measure]:
            raise LostTruthError(measure)
        for what, possible, count in (
            ("met", {met for met, _ in behind[measure]}, met),
            ("not met", {of - met for met, of in behind[measure]}, len(on_oxygen) - met),
        ):
            if recovered(possible, count, SMALL):
                found.append(f"{measure}, {what}: {count}")
    # Both are of the same stays, so that their difference counts those with a target that came late.
    late = {a - b for a, of in behind[TARGET] for b, of_b in behind[IN_HOUR] if of == of_b}
    if late and recovered(late, truth[TARGET] - truth[IN_HOUR], SMALL):
        found.append(f"with a target that came late: {truth[TARGET] - truth[IN_HOUR]}")
    return found


@given(sizes=sizes)
@example(sizes=EXAMPLES[0])
@example(sizes=EXAMPLES[1])
@example(sizes=EXAMPLES[2])
@example(sizes=EXAMPLES[3])
@example(sizes=EXAMPLES[4])
@example(sizes=EXAMPLES[5])
@example(sizes=EXAMPLES[6])
@settings(max_examples=2, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
def test_no_small_count_can_be_worked_back(tmp_path_factory: pytest.TempPathFactory, sizes: Sizes) -> None:
    patients = made_up(sizes)
    if not patients:
        return
    pages = presented(patients, tmp_path_factory.mktemp("attacked"), POLICY)
    assert given_away(patients, [html for html, _ in pages]) == []
    assert given_away(patients, [slides for _, slides in pages]) == []
    for month, both in zip(_months(patients), pages, strict=True):
        for printed in both:
            assert small_wards_with_a_figure(patients, month, printed) == []
    for form in (0, 1):
        assert told_only_before_and_after(patients, [both[form] for both in pages]) == []


def test_a_ward_with_few_patients_has_no_figure(tmp_path: Path) -> None:
    patients = made_up(replace(LARGE, others=(70, 70), wards=4, evenness=0.7, seed=11))
    assert small_wards(patients, MONTHS[1])
    for printed in presented(patients, tmp_path, POLICY)[1]:
        assert small_wards_with_a_figure(patients, MONTHS[1], printed) == []
        rows = {row[0]: row[1:] for row in printed.table_with("Ward")[1:]}
        assert any("%" in cells[0] for ward, cells in rows.items() if ward in WARDS)


def small_wards(patients: list[Patient], month: str) -> list[str]:
    counts = {ward: sum(one.ward == ward and one.month == month for one in patients) for ward in WARDS}
    return [ward for ward, count in counts.items() if is_hidden(count, SMALL)]


def small_wards_with_a_figure(patients: list[Patient], month: str, printed: Printed) -> list[str]:
    rows = {row[0]: row[1:] for table in printed.tables if table[0][0] == "Ward" for row in table[1:]}
    return [ward for ward in small_wards(patients, month) if rows[ward] != ["\N{EN DASH} small numbers", "", ""]]


def told_only_before_and_after(patients: list[Patient], printed: list[Printed]) -> list[str]:
    """Shares before or after a change that no page of a month shows: of who is few in one of the months, above all.

    With one month on either side, each such share is that of a month, and says no more if it stands there already.
    """
    if len(printed) < len(MONTHS):
        return []
    found = []
    for row in changes_of(printed[-1]):
        where, group, *cells = row
        if not any("%" in cell for cell in cells):
            continue
        for place, cell in enumerate(cells):
            shares = re.findall(r"(?:[\d.]+|<1|>99) %", cell)[:2]
            for one, month, share in zip(printed, MONTHS, shares, strict=True):
                if not shown_in_month(one, month, where, group, place).startswith(share):
                    found.append(f"{where}, {group}, {month}: {share}")
    return found


def changes_of(printed: Printed) -> list[list[str]]:
    """The rows of all tables of changes: ward (empty: the hospital), patients, below, within and above on oxygen."""
    rows, where = [], ""
    for table in printed.tables:
        for row in table[1:] if table[0][0] == "Change" else []:
            named = re.search(r"1 May 2026, (\w+)", row[0])
            where = ("" if named[1] == "whole" else named[1]) if named else where
            rows.append([where, *row[1:]])
    return rows


def shown_in_month(printed: Printed, month: str, ward: str, group: str, place: int) -> str:
    """What the pages of one month print of a ward, or of a group of the hospital."""
    if ward:
        rows = {row[0]: row[1:] for table in printed.tables if table[0][0] == "Ward" for row in table[1:]}
        return rows[ward][place]
    rows = {row[0]: row[1:] for row in printed.table_with("Below the band")[1:]}
    return next(cells for name, cells in rows.items() if name.startswith(group))[2 * place]


def test_what_stands_before_and_after_a_change_is_shown_where_it_may_be(tmp_path: Path) -> None:
    """And the attack on it finds what is not hidden: under a policy that hides nothing, wards with few are told."""
    patients = made_up(replace(LARGE, others=(70, 70), wards=4, evenness=0.7, seed=11))
    few = {ward for month in MONTHS for ward in small_wards(patients, month)}
    before, closed = (forms[0] for forms in presented(patients, tmp_path, POLICY))
    opened = presented(patients, tmp_path, replace(POLICY, small_count_below=1))[1][0]
    told = {row[0] for row in changes_of(closed) if "%" in row[2]}
    assert few
    assert "" in told
    assert told & set(WARDS)
    assert not told & few
    assert {row[0] for row in changes_of(opened) if "%" in row[2]} & few
    assert told_only_before_and_after(patients, [before, opened])


def test_the_attack_finds_what_is_not_hidden(tmp_path: Path) -> None:
    """The same attack on pages made under a policy that hides nothing: were it blind, it would find nothing here."""
    open_policy = replace(POLICY, small_count_below=1)
    for sizes in EXAMPLES[1:4]:
        patients = made_up(sizes)
        pages = presented(patients, tmp_path, open_policy)
        assert _found_or_contradicted(patients, [html for html, _ in pages]), sizes


def _found_or_contradicted(patients: list[Patient], printed: list[Printed]) -> bool:
    """Whether small counts are given away, or what is printed contradicts the rule that the attack takes as known."""
    try:
        return bool(given_away(patients, printed))
    except LostTruthError:
        return True


def test_figures_are_shown_where_they_may_be(tmp_path: Path) -> None:
    """A presentation that hides everything would pass the attack and be of no use."""
    patients = made_up(LARGE)
    printed = presented(patients, tmp_path, POLICY)[1][0]
    assert patients_by_group(printed) == {"retainer": 36, "other": 36}
    assert None not in episodes(printed)[month_in_words(MONTHS[1])]
    assert "%" in step(printed, TITLES[TARGET])


@pytest.mark.parametrize("part", ["html", "slides"])
def test_no_key_and_no_time_of_day_is_printed(tmp_path: Path, part: str) -> None:
    patients = made_up(LARGE)
    with store_of(patients) as con:
        html, pptx = write_presentation(con, tmp_path, MONTHS[1], POLICY)
    printed = of_html(html.read_text(encoding="utf-8")) if part == "html" else of_slides(pptx.read_bytes())
    assert not re.search(r"\b[SP]\d{5}\b", printed.words)
    assert not re.search(r"\b\d{1,2}:\d{2}\b", printed.words)
