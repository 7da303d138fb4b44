"""Other thresholds on trial: the figures are those of a store measured by them, hidden where few would be told."""

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import AuditError
from pipeline.measure import measure_store
from pipeline.measured_copy import MeasuredStore
from pipeline.policy import Policy, read_policy
from pipeline.rollup import suppress_small_counts
from pipeline.store import open_store, read_store
from reports import policy_change, policy_lines, store_tables, wording
from reports.figures import pick
from reports.policy_change import PolicyChange, compare_policies, write_policy_change
from reports.policy_change_text import in_words
from reports.policy_lines import FEW_BETWEEN, Block, Line, Pair, Side
from tests.store_files import LAST_MONTH, fingerprint_of, write_measured_store

PRESENT = read_policy()
# So few patients are in the groups that one is hidden with the usual small counts.
SMALL_MONTH = "2025-11"
ALL_SHOWN = replace(PRESENT, small_count_below=1.0)
OURS = """
[parameters.reading_carry_hours]
value = 3
source = "<script>alert(1)</script> a trial"
[parameters.high_fio2_above]
value = 0.4
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("policies")
    (folder / "ours.toml").write_text(OURS, encoding="utf-8")
    write_measured_store(folder / "s.duckdb")
    return folder


@pytest.fixture(scope="module")
def new(folder: Path) -> Policy:
    return read_policy(folder / "ours.toml")


@pytest.fixture(scope="module")
def change(folder: Path, new: Policy) -> PolicyChange:
    before = fingerprint_of(folder / "s.duckdb")
    change = compare_policies(folder / "s.duckdb", ALL_SHOWN, replace(new, small_count_below=1.0), None)
    assert fingerprint_of(folder / "s.duckdb") == before
    assert {path.name for path in folder.iterdir()} == {"s.duckdb", "ours.toml"}
    return change


@pytest.fixture(scope="module")
def measured(folder: Path, new: Policy, tmp_path_factory: pytest.TempPathFactory) -> tuple[Side, Side]:
    """The pooled tables of the store, and of another that was measured by the new policy for good."""
    sides = []
    for policy in (PRESENT, new):
        file = tmp_path_factory.mktemp("by") / "s.duckdb"
        shutil.copy(folder / "s.duckdb", file)
        with open_store(file) as connection:
            assert measure_store(connection, policy) is (policy is new)
            sides.append(Side(store_tables.summaries(connection), store_tables.measures(connection)))
    return sides[0], sides[1]


def lines_of(blocks: tuple[Block, ...]) -> dict[tuple[str, str], Line]:
    return {(block.title, line.name): line for block in blocks for line in block.lines}


# --- figures ----------------------------------------------------------------------------------------------------


def test_the_headline_is_that_of_stores_measured_by_each_policy(
    change: PolicyChange, measured: tuple[Side, Side]
) -> None:
    assert change.month == LAST_MONTH
    lines = lines_of(change.headline)
    sides = [suppress_small_counts(side.summary, ALL_SHOWN) for side in measured]
    rows = [pick(side, LAST_MONTH, None, "retainer") for side in sides]
    now, then = (row for row in rows if row is not None)
    for name, column in (
        ("Below the band", "share_below"),
        ("Within the band", "share_within"),
        ("Above it, on oxygen", "share_above_on_oxygen"),
    ):
        line = lines["CO2 retainers", name]
        assert line.present.startswith(f"{wording.percent(now[column])} (")
        assert line.new.startswith(f"{wording.percent(then[column])} (")
        assert line.difference == f"{wording.points_end(then[column] - now[column])} points"
        assert line.differs
    patients, episodes = (lines["CO2 retainers", name] for name in ("Patients", "Episodes of high inspired oxygen"))
    assert (patients.present, patients.new, patients.difference) == (str(now["patients"]),) * 2 + ("none",)
    assert (episodes.present, episodes.new) == (str(now["episodes"]), str(then["episodes"]))
    assert then["episodes"] < now["episodes"]
    assert episodes.difference == f"{wording.MINUS}{now['episodes'] - then['episodes']}"
    avoidable = lines["CO2 retainers", "of them avoidable"]
    assert (avoidable.present, avoidable.new) == (str(now["episodes_above"]), str(then["episodes_above"]))


def test_every_measure_is_there_with_the_difference_of_its_results(
    change: PolicyChange, measured: tuple[Side, Side]
) -> None:
    blocks = {block.title: block for part in change.measures.values() for block in part}
    shown = [suppress_small_counts(side.measured, ALL_SHOWN) for side in measured]
    seen = 0
    for measure in policy_lines.read_measures():
        title = measure.title if measure.unit == "%" else f"{measure.title} ({measure.unit})"
        line = blocks[title].lines[0]
        rows = [frame.filter(pl.col("measure_id") == measure.id) for frame in shown]
        now, then = ((pick(frame, LAST_MONTH, None, None) or {}).get("result") for frame in rows)
        if now is None or then is None:
            assert line.difference == wording.NOTHING
            continue
        scale = 100 if measure.unit == "%" else 1
        number = re.match(r"[+\N{MINUS SIGN}]?[\d,.]+", line.difference)
        if number:
            said = float(number[0].replace("\N{MINUS SIGN}", "-").replace(",", ""))
            assert said == pytest.approx(scale * (then - now), abs=0.5 if abs(said) >= 100 else 0.051)
            seen += 1
        else:
            assert abs(scale * (then - now)) < 0.1
            assert (line.difference == "none") is (then == now)
    assert seen > 6
    assert len(blocks) == len(policy_lines.read_measures())


def test_the_thresholds_that_differ_are_named_with_unit_and_both_sources(change: PolicyChange) -> None:
    carry, high = change.thresholds
    assert (carry.name, carry.present, carry.new, carry.unit) == ("reading_carry_hours", "6", "3", "hours")
    assert (high.name, high.present, high.new, high.unit) == ("high_fio2_above", "0.28", "0.4", "fraction")
    assert "NEWS2" in carry.present_source
    assert "a trial" in carry.new_source
    assert high.new_source == "Local policy file ours.toml."
    assert change.answer.startswith("2 thresholds would be another: ")


def test_the_same_thresholds_change_nothing(folder: Path) -> None:
    same = compare_policies(folder / "s.duckdb", PRESENT, read_policy(), None)
    assert same.answer == "No threshold differs from those in use, so nothing would change."
    lines = [line for part in (same.headline, *same.measures.values()) for block in part for line in block.lines]
    assert not [line for line in lines if line.differs or line.present != line.new]
    assert {line.difference for line in lines} <= {"none", wording.NOTHING}


def test_a_month_that_is_not_there_is_refused(folder: Path, new: Policy) -> None:
    with pytest.raises(AuditError, match="is not in the store"):
        compare_policies(folder / "s.duckdb", PRESENT, new, "1999-01")


# --- small numbers ----------------------------------------------------------------------------------------------


def pair_of(measured: tuple[Side, Side], retainers: int, small: float = 8) -> Pair:
    """The pair of the store, with this many retainers under the new policy and all others in the other group."""
    now, _ = measured
    whole = pick(now.summary, LAST_MONTH, None, None)
    assert whole is not None
    of_month = (pl.col("month") == LAST_MONTH) & pl.col("ward").is_null()
    others = whole["patients"] - retainers
    moved = now.summary.with_columns(
        patients=pl.when(of_month & (pl.col("group") == "retainer"))
        .then(retainers)
        .when(of_month & (pl.col("group") == "other"))
        .then(others)
        .otherwise("patients")
    )
    policy = replace(PRESENT, small_count_below=small)
    return Pair(now, Side(moved, now.measured), LAST_MONTH, policy, ())


@pytest.mark.parametrize(("moved", "hidden"), [(0, False), (1, True), (7, True), (8, False)])
def test_groups_that_differ_by_few_patients_are_shown_under_one_policy_only(
    measured: tuple[Side, Side], moved: int, hidden: bool
) -> None:
    now = pick(measured[0].summary, LAST_MONTH, None, "retainer")
    assert now is not None
    pair = pair_of(measured, now["patients"] - moved)
    assert pair.moves_few is hidden
    lines = [line for block in policy_lines.headline(pair) for line in block.lines]
    assert all((line.new == FEW_BETWEEN) is hidden for line in lines)
    for part in policy_lines.measures(pair).values():
        for block in part:
            assert block.lines[0].new != FEW_BETWEEN
            assert all((line.new == FEW_BETWEEN) is hidden for line in block.lines[1:])


def counts_in(text: str) -> list[int]:
    return [int(count.replace(",", "")) for count in re.findall(r"([\d,]+) patients?\b", text)]


@pytest.mark.parametrize("month", [SMALL_MONTH, LAST_MONTH])
def test_no_count_of_few_patients_is_on_the_page_or_the_screen(
    change: PolicyChange, measured: tuple[Side, Side], month: str, tmp_path: Path
) -> None:
    pair = Pair(*measured, month, PRESENT, ())
    few = replace(change, headline=policy_lines.headline(pair), measures=policy_lines.measures(pair))
    page = write_policy_change(few, tmp_path).read_text(encoding="utf-8")
    assert (counts := counts_in(page))
    assert min(counts + counts_in(in_words(few))) >= PRESENT.small_count_below
    assert "too few patients to tell" in in_words(few)


def test_the_larger_of_both_small_counts_holds(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def as_it_is(path: Path, *_: object) -> Iterator[MeasuredStore]:
        with read_store(path) as connection:
            yield MeasuredStore(connection, is_copy=False)

    monkeypatch.setattr(policy_change, "measured_by", as_it_is)
    for policies in ((PRESENT, ALL_SHOWN), (ALL_SHOWN, PRESENT)):
        shown = compare_policies(folder / "s.duckdb", *policies, SMALL_MONTH)
        assert lines_of(shown.headline)["Everybody else", "Patients"].new == "too few patients to tell"
    shown = compare_policies(folder / "s.duckdb", ALL_SHOWN, ALL_SHOWN, SMALL_MONTH)
    assert lines_of(shown.headline)["Everybody else", "Patients"].new.isdigit()


# --- page and screen --------------------------------------------------------------------------------------------


def test_the_page_shows_everything_escaped_and_is_the_same_each_time(change: PolicyChange, tmp_path: Path) -> None:
    path = write_policy_change(change, tmp_path)
    page = path.read_text(encoding="utf-8")
    assert path.name == f"policy-change-{LAST_MONTH}-{change.new.fingerprint}.html"
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; a trial" in page
    for line in (line for part in (change.headline, *change.measures.values()) for b in part for line in b.lines):
        assert f"<td>{line.present}</td><td>{line.new}</td>" in page.replace("&gt;", ">").replace("&lt;", "<")
    assert change.present.fingerprint in page
    assert change.new.fingerprint in page
    assert "not for presentation" in page
    assert str(tmp_path.parent) not in page
    assert write_policy_change(change, tmp_path / "again").read_bytes() == path.read_bytes()


def test_a_page_that_cannot_be_written_is_told(change: PolicyChange, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(AuditError, match="The page cannot be written"):
        write_policy_change(change, tmp_path / "file")


def test_the_screen_has_the_headline_and_the_measures_that_would_change(change: PolicyChange) -> None:
    text = in_words(change)
    assert text.startswith(f"{wording.month_in_words(LAST_MONTH)}: 2 thresholds would be another")
    assert "reading_carry_hours: 6 -> 3 (hours)" in text
    blocks = [block for part in change.measures.values() for block in part]
    changed = [block for block in blocks if block.differs]
    assert 0 < len(changed) < len(blocks)
    assert [block.title for block in blocks if f"\n{block.title}\n" in text] == [block.title for block in changed]
    assert f"The same under both: {len(blocks) - len(changed)} measures." in text
    assert not set(text) & {wording.NO_BREAK, wording.MINUS, wording.EN_DASH}
