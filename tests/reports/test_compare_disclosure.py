"""Nobody can work a small count back from comparisons of any two months, wards and sites taken together.

Somebody with all pages of comparisons and pencil and paper: counts printed, shares of events turned back into numbers,
wards taken from the whole and from their site. Source of what has to be hidden: NHS Digital, disclosure control of
hospital episode statistics (small counts, percentages and complements). What is true is known from invented patients.
"""

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from pathlib import Path

import duckdb
import numpy as np
import pytest

import reports.compare_sides
from pipeline.catalogue import read_measures
from pipeline.policy import Policy, read_policy
from pipeline.statistics import wilson
from reports.compare import write_comparison
from reports.compare_asked import MONTH, SITE, WARD, Asked
from reports.wording import month_in_words, percent, percent_interval
from tests.compared import without_charts
from tests.reports.attack import is_hidden, numbers_of_patients, of_html, recovered
from tests.reports.small_hospital import IN_HOUR, MONTHS, TARGET, Patient, Sizes, made_up, store_of

POLICY = read_policy()
SMALL = int(POLICY.small_count_below)
TITLES = {measure.id: measure.title for measure in read_measures()}
SITES = {"Alder": "North", "Birch": "North", "Cedar": "South", "Linden": "South"}
MOST = 100
LARGE = Sizes((36, 36), (60, 60), 0.6, 0.5, 0.5, 0.5, 0.5, 3, 8.0, 3)
FEW_WITHOUT = replace(LARGE, target=0.9, in_hour=0.95, seed=4)
UNEVEN = replace(LARGE, retainers=(20, 14), others=(90, 70), target=0.8, wards=4, evenness=0.9, seed=12)


@dataclass(frozen=True)
class Seen:
    """What one side of a page prints: patients by group (absent: not printed), and texts of measures by title."""

    patients: dict[str, int]
    measures: dict[str, str]
    words: str


@contextmanager
def hospital(patients: list[Patient]) -> Iterator[duckdb.DuckDBPyConnection]:
    """A store in which every ward lies in one site."""
    with store_of(patients) as con:
        for number, each in enumerate(patients, start=1):
            con.execute("update stays set site = ? where stay_no = ?", [SITES[each.ward], number])
        yield con


@pytest.fixture(autouse=True)
def no_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """They draw shares of time, which are no counts."""
    without_charts(monkeypatch)


def all_pages(
    con: duckdb.DuckDBPyConnection, folder: Path, policy: Policy, months: tuple[str, ...]
) -> dict[tuple[str, str], Seen]:
    """What every comparison of these months prints, by month and side (the whole hospital: empty)."""
    found = _sides(con, Asked(MONTH, MONTHS), None, folder, policy)
    seen = {(month, ""): found[month_in_words(month)] for month in MONTHS}
    for month in months:
        query = "select distinct ward from stay_month_time where month = ? order by ward"
        wards = [ward for (ward,) in con.execute(query, [month]).fetchall()]
        sites = sorted({SITES[ward] for ward in wards})
        for kind, names in ((WARD, wards), (SITE, sites)):
            # Each with the first; the first with the second.
            for name in names[1:]:
                for side, what in _sides(con, Asked(kind, (names[0], name)), month, folder, policy).items():
                    assert seen.setdefault((month, side), what).measures == what.measures
    return seen


def _sides(
    con: duckdb.DuckDBPyConnection, asked: Asked, month: str | None, folder: Path, policy: Policy
) -> dict[str, Seen]:
    printed = of_html(write_comparison({"h": con}, asked, month, folder, policy).read_text(encoding="utf-8"))
    measures = printed.table_with("Measure")
    names = measures[0][1:3]
    patients: dict[str, dict[str, int]] = defaultdict(dict)
    group = ""
    for row in printed.tables[0][1:]:
        if len(row) == 1:
            group = row[0]
        for name in names:
            count = row[0].removeprefix(f"{name} ").removesuffix(" patients").removesuffix(" patient")
            if row[0].startswith(name) and count.isdigit():
                patients[name][group] = int(count)
    return {
        name: Seen(patients[name], {row[0]: row[place] for row in measures[1:] if len(row) == 5}, printed.words)
        for place, name in enumerate(names, start=1)
    }


@cache
def _behind() -> dict[str, set[tuple[int, int]]]:
    """All (met, of) that print one percentage and interval."""
    pairs = [(met, of) for of in range(1, MOST + 1) for met in range(of + 1)]
    low, high = wilson(*(np.array(side, dtype=float) for side in zip(*pairs, strict=True)))
    found = defaultdict(set)
    for (met, of), bottom, top in zip(pairs, low, high, strict=True):
        share = met / of
        text = f"{percent(share)} {percent_interval(float(bottom), float(top), share)}"
        found[" ".join(text.split())].add((met, of))
    return found


def given_away(patients: list[Patient], seen: dict[tuple[str, str], Seen]) -> list[str]:
    """Every small count that the pages together give away, in words."""
    found = [
        f"printed: {number}"
        for what in seen.values()
        for number in numbers_of_patients(what.words)
        if is_hidden(number, SMALL)
    ]
    for month in MONTHS:
        here = [one for one in patients if one.month == month]
        sums = [("", sorted({one.ward for one in here})), ("", ["North", "South"])]
        sums += [(site, sorted({one.ward for one in here if SITES[one.ward] == site})) for site in ("North", "South")]
        for whole, parts in sums:
            inside = {part: [one for one in here if part in (one.ward, SITES[one.ward])] for part in parts}
            inside = {part: those for part, those in inside.items() if those}
            found += _patients_given_away(month, whole, inside, seen)
            found += _events_given_away(month, whole, inside, seen)
        for side in {"", *SITES, *SITES.values()}:
            those = [one for one in here if side in ("", one.ward, SITES[one.ward])]
            if (month, side) in seen:
                found += _pair_given_away(month, side, those, seen[month, side])
    return found


def _patients_given_away(
    month: str, whole: str, parts: dict[str, list[Patient]], seen: dict[tuple[str, str], Seen]
) -> list[str]:
    truth = {
        "All patients": lambda one: True,
        "CO2 retainers": lambda one: one.retainer,
        "Everybody else": lambda one: not one.retainer,
    }
    found = []
    for group, belongs in truth.items():
        total = _patients(seen.get((month, whole)), group)
        counts = {part: sum(map(belongs, those)) for part, those in parts.items()}
        known = {part: _patients(seen.get((month, part)), group) for part in parts}
        hidden = [part for part, count in known.items() if count is None and counts[part]]
        if total is None or not hidden:
            continue
        left = total - sum(count or 0 for count in known.values())
        possible = {left} if len(hidden) == 1 else set(range(1, left - len(hidden) + 2))
        found += [
            f"{month} {part}, {group}: {counts[part]}" for part in hidden if recovered(possible, counts[part], SMALL)
        ]
    return found


def _patients(what: Seen | None, group: str) -> int | None:
    """A count that is printed, or follows from the two that are."""
    if what is None:
        return None
    both = [what.patients.get(name) for name in ("CO2 retainers", "Everybody else")]
    if group == "All patients" and None not in both:
        return sum(both)  # type: ignore[arg-type]
    return what.patients.get(group)


def _events_given_away(
    month: str, whole: str, parts: dict[str, list[Patient]], seen: dict[tuple[str, str], Seen]
) -> list[str]:
    found = []
    for measure, met in ((TARGET, lambda one: one.target), (IN_HOUR, lambda one: one.in_hour)):
        truth = {part: [met(one) for one in those if one.on_oxygen] for part, those in parts.items()}
        truth = {part: those for part, those in truth.items() if those}
        totals = _printed(seen.get((month, whole)), measure)
        printed = {part: _printed(seen.get((month, part)), measure) for part in truth}
        for part, pairs in printed.items():
            if pairs and recovered({one for one, _ in pairs}, sum(truth[part]), SMALL):
                found.append(f"{month} {part}, {measure}: {sum(truth[part])} met")
            if pairs and recovered({of - one for one, of in pairs}, sum(not each for each in truth[part]), SMALL):
                found.append(f"{month} {part}, {measure}: not met")
        hidden = [part for part, pairs in printed.items() if not pairs]
        if not totals or not hidden:
            continue
        shown = [printed[part] for part in truth if part not in hidden]
        left = {
            (total[0] - sum(one for one, _ in each), total[1] - sum(of for _, of in each))
            for total in totals
            for each in product(*shown)
        }
        for place, what in ((0, True), (1, False)):
            sums = {of - one if place else one for one, of in left if 0 <= one <= of}
            possible = sums if len(hidden) == 1 else set(range(max(sums, default=0) + 1))
            for part in hidden:
                count = sum(each is what for each in truth[part])
                if recovered(possible, count, SMALL):
                    found.append(f"{month} {part}, {measure}, {what}: {count} of {possible}")
    return found


def _printed(what: Seen | None, measure: str) -> set[tuple[int, int]]:
    return set() if what is None else _behind().get(what.measures.get(TITLES[measure], ""), set())


def _pair_given_away(month: str, side: str, those: list[Patient], what: Seen) -> list[str]:
    """Stays with a target that came late: those with one less those with one in the hour."""
    with_one, in_hour = _printed(what, TARGET), _printed(what, IN_HOUR)
    late = {a - b for (a, of), (b, of_b) in product(with_one, in_hour) if of == of_b}
    truth = sum(one.target and not one.in_hour for one in those if one.on_oxygen)
    return [f"{month} {side}: {truth} late"] if late and recovered(late, truth, SMALL) else []


@pytest.mark.parametrize("sizes", [FEW_WITHOUT, UNEVEN], ids=["few without", "uneven"])
def test_no_small_count_can_be_worked_back(tmp_path: Path, sizes: Sizes) -> None:
    patients = made_up(sizes)
    with hospital(patients) as con:
        assert given_away(patients, all_pages(con, tmp_path, POLICY, MONTHS[1:])) == []


def test_the_attack_finds_what_is_not_hidden(tmp_path: Path) -> None:
    """Were it blind, it would find nothing on pages made under a policy that hides nothing."""
    patients = made_up(FEW_WITHOUT)
    with hospital(patients) as con:
        pages = all_pages(con, tmp_path, replace(POLICY, small_count_below=1), MONTHS[1:])
    found = given_away(patients, pages)
    assert [each for each in found if each.startswith("printed")]
    assert [each for each in found if TARGET in each]
    assert [each for each in found if "late" in each]


def test_a_ward_is_not_given_away_by_its_site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Birch has 3 patients and Linden 5, so neither is shown; less Alder, North would leave Birch's 3."""
    month, made = MONTHS[1], made_up(replace(LARGE, others=(10, 60)))
    wards = ["Birch"] * 3 + ["Linden"] * 5 + ["Alder", "Cedar"] * 100
    those = sorted((one for one in made if one.month == month), key=lambda one: one.retainer)
    patients = [one for one in made if one.month != month]
    patients += [replace(one, ward=ward) for one, ward in zip(those, wards, strict=False)]
    with hospital(patients) as con:
        pages = all_pages(con, tmp_path, POLICY, (month,))
        assert given_away(patients, pages) == []
        assert pages[month, "Alder"].patients
        assert not pages[month, "North"].patients
        monkeypatch.setattr(reports.compare_sides, "given_away_by_wards", lambda *_: set())
        assert f"{month} Birch, All patients: 3" in given_away(patients, all_pages(con, tmp_path, POLICY, (month,)))


def test_figures_are_shown_where_they_may_be(tmp_path: Path) -> None:
    """Pages that hide everything would pass the attack and be of no use."""
    with hospital(made_up(replace(LARGE, others=(90, 90), wards=2))) as con:
        seen = all_pages(con, tmp_path, POLICY, MONTHS[1:])
    for (_, side), what in seen.items():
        assert _printed(what, TARGET), side
        assert what.patients["CO2 retainers"] + what.patients["Everybody else"] >= (50 if side else 126)
