"""Measure rows pooled to months, wards and groups; and small counts that cannot be worked back."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from pipeline.catalogue import read_measures
from pipeline.measure import insert
from pipeline.measure_file import Measure
from pipeline.policy import read_policy
from pipeline.rollup import in_every_cell, measure_summary, suppress_small_counts
from pipeline.statistics import poisson_rate, wilson
from tests.stores import empty_store

Row = dict[str, Any]
Cell = tuple[str | None, str | None]

SHARE_OF_TIME = replace(read_measures()[0], id="one", kind="share", of="time")
SHARE_OF_EVENTS = replace(SHARE_OF_TIME, id="two", of="events")
RATE = replace(SHARE_OF_TIME, id="three", kind="rate")
MEDIAN = replace(SHARE_OF_TIME, id="four", kind="median")


def measured(patient: str, ward: str | None = "A", month: str = "2026-01", group: str = "other", **figures: Any) -> Row:
    return {"stay_id": f"s{patient}", "patient_key": patient, "ward": ward, "month": month, "group": group, **figures}


def summarised(measure: Measure, rows: list[Row]) -> dict[tuple[str, str | None, str | None], Row]:
    """The rows of `measure_summary` as the store takes them, by month, ward and group."""
    with empty_store() as connection:
        if rows:
            frame = pl.DataFrame(rows, infer_schema_length=None).with_columns(measure_id=pl.lit(measure.id))
            insert(connection, "measure_rows", frame)
        insert(connection, "measure_summary", measure_summary(connection, [measure]))
        result = connection.sql("select * from measure_summary").pl().to_dicts()
    by_cell = {(row["month"], row["ward"], row["group"]): row for row in result}
    assert len(by_cell) == len(result), "one row a cell"
    return by_cell


def figures(row: Row) -> tuple[Any, ...]:
    return row["patients"], row["events"], row["numerator"], row["denominator"], row["result"]


# --- pooling ------------------------------------------------------------------------------------------------


def test_a_pooled_share_sums_first_and_divides_last() -> None:
    """9 of 10 hours and 0 of 2: 9/12 = 0.75, where the mean of the two shares would be 0.45."""
    found = summarised(
        SHARE_OF_TIME, [measured("a", numerator=9, denominator=10), measured("b", numerator=0, denominator=2)]
    )
    assert figures(found["2026-01", "A", "other"]) == (2, 12, 9, 12, 0.75)


def test_every_row_counts_in_its_ward_and_all_wards_and_in_its_group_and_all_groups() -> None:
    rows = [
        measured("a", "A", numerator=1, denominator=4),
        measured("b", "A", group="retainer", numerator=2, denominator=4),
        measured("c", "B", numerator=3, denominator=4),
        measured("d", None, numerator=4, denominator=4),
        measured("a", "B", numerator=0, denominator=10),
        measured("a", "A", "2026-02", numerator=5, denominator=10),
    ]
    found = summarised(SHARE_OF_TIME, rows)
    assert {cell: figures(row)[:4] for cell, row in found.items()} == {
        ("2026-01", "A", "other"): (1, 4, 1, 4),
        ("2026-01", "A", "retainer"): (1, 4, 2, 4),
        ("2026-01", "A", None): (2, 8, 3, 8),
        ("2026-01", "B", "other"): (2, 14, 3, 14),
        ("2026-01", "B", None): (2, 14, 3, 14),
        # d has no ward: it counts under all wards only. a was in two wards and is one patient.
        ("2026-01", None, "other"): (3, 22, 8, 22),
        ("2026-01", None, "retainer"): (1, 4, 2, 4),
        ("2026-01", None, None): (4, 26, 10, 26),
        ("2026-02", "A", "other"): (1, 10, 5, 10),
        ("2026-02", "A", None): (1, 10, 5, 10),
        ("2026-02", None, "other"): (1, 10, 5, 10),
        ("2026-02", None, None): (1, 10, 5, 10),
    }
    assert all(row["result"] == row["numerator"] / row["denominator"] for row in found.values())


def test_a_frame_is_repeated_without_loss_for_its_cells() -> None:
    rows = pl.DataFrame({"month": ["m", "m"], "ward": ["A", None], "group": ["other", "retainer"], "x": [1, 2]})
    found = in_every_cell(rows).select("ward", "group", "x").rows()
    expected = [("A", "other", 1), ("A", None, 1), (None, "other", 1), (None, None, 1)]
    expected += [(None, "retainer", 2), (None, None, 2)]
    assert sorted(found, key=str) == sorted(expected, key=str)


@pytest.mark.parametrize("measure", [SHARE_OF_TIME, SHARE_OF_EVENTS, RATE], ids=["time", "events", "rate"])
def test_nobody_eligible_is_no_result_and_not_0_percent(measure: Measure) -> None:
    rows = [
        measured("a", numerator=0, denominator=0),
        measured("b", "B", numerator=1, denominator=2),
        measured("c", "B", numerator=0, denominator=None),
    ]
    found = summarised(measure, rows)
    empty = found["2026-01", "A", "other"]
    assert (*figures(empty), empty["low"], empty["high"]) == (0, 0, 0, 0, None, None, None)
    assert found["2026-01", None, None]["patients"] == found["2026-01", "B", None]["patients"] == 1
    assert found["2026-01", None, None]["denominator"] == 2


@pytest.mark.parametrize("measure", [SHARE_OF_TIME, SHARE_OF_EVENTS, RATE, MEDIAN])
def test_a_measure_that_found_nothing_has_no_rows(measure: Measure) -> None:
    assert summarised(measure, []) == {}


def test_a_store_without_a_measure_row_has_a_summary_without_rows() -> None:
    with empty_store() as connection:
        assert measure_summary(connection, [SHARE_OF_TIME, SHARE_OF_EVENTS, RATE, MEDIAN]).height == 0


def test_a_share_of_events_has_wilsons_interval() -> None:
    rows = [measured(str(number), numerator=int(number < 15), denominator=1) for number in range(148)]
    row = summarised(SHARE_OF_EVENTS, rows)["2026-01", "A", None]
    # 15/148: Newcombe, Stat Med 1998;17:857-72, table I, method 3 (from memory).
    assert (row["low"], row["high"]) == pytest.approx((0.0624, 0.1605), abs=5e-5)
    assert (row["low"],) == tuple(wilson(np.array([15]), np.array([148]))[0])


def test_a_share_of_time_has_an_interval_from_two_patients_on() -> None:
    rows = [measured("a", numerator=1, denominator=4), measured("a", numerator=3, denominator=4)]
    alone = summarised(SHARE_OF_TIME, rows)["2026-01", "A", None]
    assert (alone["result"], alone["low"], alone["high"]) == (0.5, None, None)
    two = summarised(SHARE_OF_TIME, [*rows, measured("b", numerator=4, denominator=4)])["2026-01", "A", None]
    # Drawn twice from two: a quarter of the draws is a alone (0.5), a quarter b alone (1).
    assert (two["low"], two["high"]) == (0.5, 1.0)


def test_the_interval_of_a_cell_hangs_on_its_own_rows_only() -> None:
    rows = [measured(str(number), numerator=number, denominator=20) for number in range(12)]
    others = [measured(f"x{number}", "B", numerator=1, denominator=20) for number in range(5)]
    found, beside = summarised(SHARE_OF_TIME, rows), summarised(SHARE_OF_TIME, others + rows[::-1])
    assert beside["2026-01", "A", "other"] == found["2026-01", "A", "other"]


def test_a_rate_is_events_per_100_days_with_the_exact_interval() -> None:
    """3 episodes in 40 patient-days: 7.5 in 100. Exact limits of 3: 0.62 to 8.77 (tables, from memory)."""
    rows = [measured("a", numerator=3, denominator=10.0), measured("b", numerator=0, denominator=30.0)]
    row = summarised(RATE, rows)["2026-01", "A", None]
    assert figures(row) == (2, 3, 3, 40, 7.5)
    assert (row["low"], row["high"]) == pytest.approx((0.62 / 0.4, 8.77 / 0.4), abs=0.02)
    exact = poisson_rate(np.array([3.0]), np.array([0.4]))
    assert (row["low"], row["high"]) == pytest.approx((exact[0][0], exact[1][0]))


def test_a_median_waits_for_those_whose_end_has_not_come() -> None:
    """Hours 1 and 5, and three still waiting at 2, 3 and 4: 4/5 wait after the first, nobody after 5."""
    rows = [
        measured("a", value=1.0, censored=False),
        *(measured(patient, value=hours, censored=True) for patient, hours in (("b", 2.0), ("c", 3.0), ("d", 4.0))),
        measured("a", value=5.0, censored=None),
        measured("e", value=None, censored=True),
    ]
    row = summarised(MEDIAN, rows)["2026-01", "A", None]
    assert (row["patients"], row["events"], row["numerator"], row["denominator"]) == (4, 5, None, None)
    assert row["result"] == 5


def test_a_median_that_is_not_reached_is_null() -> None:
    rows = [measured("a", value=1.0, censored=False), *(measured(p, value=9.0, censored=True) for p in "bcd")]
    row = summarised(MEDIAN, rows)["2026-01", "A", None]
    assert (row["events"], row["result"], row["high"]) == (4, None, None)


# --- small counts -------------------------------------------------------------------------------------------

POLICY = read_policy()
SMALL = 8  # NHS Digital, hospital episode statistics since 2018: 1 to 7 are not shown, 0 may be.


def frame(cells: dict[Cell, int], month: str = "2026-01", **more: Any) -> pl.DataFrame:
    """One row a cell as in a summary, with one figure beside the patients; 0 patients: a row all the same."""
    rows = [(month, ward, group, patients, patients * 1.5) for (ward, group), patients in cells.items()]
    columns = {"month": pl.String, "ward": pl.String, "group": pl.String, "patients": pl.Int64, "figure": pl.Float64}
    return pl.DataFrame(rows, schema=columns, orient="row").with_columns(**more)


def with_totals(parts: dict[tuple[str, str], int]) -> dict[Cell, int]:
    """The table with all its sums, every patient in one ward and one group; rows of nobody are left out."""
    cells: dict[Cell, int] = {}
    for (ward, group), patients in parts.items():
        for place in (ward, None):
            for whom in (group, None):
                cells[place, whom] = cells.get((place, whom), 0) + patients
    return {cell: patients for cell, patients in cells.items() if patients}


def hidden_in(cells: dict[Cell, int]) -> set[Cell]:
    out = suppress_small_counts(frame(cells), POLICY)
    return set(out.filter("suppressed").select("ward", "group").iter_rows())


def test_few_patients_are_hidden_and_nobody_is_shown() -> None:
    cells = {("A", None): 0, ("B", None): 1, ("C", None): 7, ("D", None): 8, ("E", None): 80}
    out = suppress_small_counts(frame(cells), POLICY)
    assert out["suppressed"].to_list() == [False, True, True, False, False]
    assert out["patients"].to_list() == [0, None, None, 8, 80]
    assert out["figure"].to_list() == [0, None, None, 12, 120]
    assert out.drop("suppressed").columns == frame(cells).columns


def test_the_threshold_is_that_of_the_policy() -> None:
    out = suppress_small_counts(frame({("A", None): 4, ("B", None): 5}), replace(POLICY, small_count_below=5))
    assert out["suppressed"].to_list() == [True, False]


def test_nothing_is_hidden_without_need() -> None:
    cells = with_totals({("A", "retainer"): 8, ("A", "other"): 30, ("B", "other"): 12})
    assert hidden_in(cells) == set()


def test_one_small_group_hides_the_other_group_of_the_same_total() -> None:
    assert hidden_in(with_totals({("A", "retainer"): 3, ("A", "other"): 40})) == {
        (None, "retainer"),
        (None, "other"),
        ("A", "retainer"),
        ("A", "other"),
    }


def test_one_small_ward_hides_the_next_smallest_ward_whole() -> None:
    cells = with_totals({("A", "other"): 50, ("B", "other"): 5, ("C", "other"): 20, ("D", "other"): 30})
    assert hidden_in(cells) == {("B", "other"), ("B", None), ("C", "other"), ("C", None)}
    cells = with_totals(
        {
            ("A", "retainer"): 40,
            ("A", "other"): 50,
            ("B", "retainer"): 2,
            ("B", "other"): 3,
            ("C", "retainer"): 9,
            ("C", "other"): 20,
        }
    )
    assert hidden_in(cells) == {(ward, group) for ward in "BC" for group in ("retainer", "other", None)}


def test_two_small_wards_of_which_only_one_patient_each_is_possible_hide_a_third() -> None:
    """Total 42 and 40 shown leaves 2 for two wards that have somebody: one each."""
    cells = with_totals({("A", "other"): 1, ("B", "other"): 1, ("C", "other"): 18, ("D", "other"): 22})
    assert {ward for ward, group in hidden_in(cells) if group is None} == {"A", "B", "C"}


def test_two_small_parts_that_may_each_have_any_small_count_are_enough() -> None:
    assert hidden_in(with_totals({("A", "retainer"): 4, ("A", "other"): 6})) == {
        (place, group) for place in ("A", None) for group in ("retainer", "other")
    }


def test_a_total_is_hidden_when_no_other_part_is_left_to_hide() -> None:
    """8 patients in eight wards, one in each: that there are eight would say all."""
    cells = with_totals({(ward, "other"): 1 for ward in "ABCDEFGH"})
    assert (None, None) in hidden_in(cells)


def test_a_hidden_total_is_not_given_away_by_its_groups() -> None:
    """Ward B is hidden because of A; the sum of its two large groups would give it away, and with it A."""
    cells = with_totals(
        {("A", "retainer"): 2, ("A", "other"): 2, ("B", "retainer"): 10, ("B", "other"): 11, ("C", "other"): 60}
    )
    hidden = hidden_in(cells)
    assert {("B", None), ("B", "retainer"), ("B", "other")} <= hidden


def test_the_second_ward_is_the_same_one_for_every_group() -> None:
    """Beside A, C is the smallest ward, though B has the fewest retainers."""
    cells = with_totals(
        {
            ("A", "retainer"): 2,
            ("A", "other"): 2,
            ("B", "retainer"): 9,
            ("B", "other"): 30,
            ("C", "retainer"): 20,
            ("C", "other"): 10,
        }
    )
    assert {ward for ward, _ in hidden_in(cells)} == {"A", "C"}


def test_wards_that_share_patients_hide_no_more_than_needed() -> None:
    """26 patients, 24 of them in C: so few are left since most were in A or B as well, which says little of either."""
    cells = {("A", None): 5, ("B", None): 20, ("C", None): 24, (None, None): 26}
    assert hidden_in(cells) == {("A", None), ("B", None)}


def test_a_total_hidden_beside_a_small_one_is_not_the_sum_of_shown_parts() -> None:
    """The same 7 patients in C and D are all there are in `other`, so `retainer` is hidden, and A or B with it."""
    cells: dict[Cell, int] = {
        ("A", "retainer"): 30,
        ("A", None): 30,
        ("B", "retainer"): 31,
        ("B", None): 31,
        ("C", "other"): 7,
        ("C", None): 7,
        ("D", "other"): 7,
        ("D", None): 7,
        (None, "retainer"): 61,
        (None, "other"): 7,
        (None, None): 68,
    }
    hidden = hidden_in(cells)
    assert (None, "retainer") in hidden
    assert ("A", "retainer") in hidden


# Tables whose hidden counts an earlier, simpler rule (two hidden in every sum) gave away to sums of sums.
GIVEN_AWAY = [
    # Wards 1 and 4 have nobody in `retainer`, so their 8 patients are `other`: that leaves 2 for wards 2 and 3.
    {
        ("0", "retainer"): 12,
        ("0", "other"): 12,
        ("1", "other"): 1,
        ("2", "retainer"): 20,
        ("2", "other"): 1,
        ("3", "retainer"): 8,
        ("3", "other"): 1,
        ("4", "other"): 7,
    },
    # Ward 3 hidden for all but with `other` shown.
    {
        ("0", "retainer"): 12,
        ("0", "other"): 9,
        ("1", "retainer"): 1,
        ("2", "retainer"): 5,
        ("2", "other"): 20,
        ("3", "retainer"): 1,
        ("3", "other"): 9,
        ("4", "retainer"): 1,
        ("4", "other"): 9,
        ("5", "retainer"): 20,
        ("5", "other"): 20,
    },
]


@pytest.mark.parametrize("parts", GIVEN_AWAY)
def test_sums_of_sums_give_nothing_away(parts: dict[tuple[str, str], int]) -> None:
    cells = with_totals(parts)
    hidden = sorted(hidden_in(cells), key=str)
    assert hidden
    assert worked_back(cells, hidden) == set()


def test_a_ward_hidden_for_all_is_hidden_for_each_group() -> None:
    cells = with_totals(GIVEN_AWAY[1])
    hidden = hidden_in(cells)
    for ward in {ward for ward, group in hidden if ward and group is None}:
        assert {(ward, group) for group in ("retainer", "other") if (ward, group) in cells} <= hidden


def test_shares_that_rest_on_few_observed_patients_are_hidden() -> None:
    cells = {("A", None): 20, ("B", None): 20, ("C", None): 20, ("D", None): 20}
    table = frame(cells, patients_observed=pl.Series([1, 0, 8, None], dtype=pl.Int64))
    out = suppress_small_counts(table, POLICY)
    assert out["suppressed"].to_list() == [True, False, False, False]
    assert out["patients_observed"].to_list() == [None, 0, 8, None]


def test_months_and_measures_are_hidden_apart() -> None:
    small, large = with_totals({("A", "other"): 3, ("B", "other"): 20}), with_totals({("A", "other"): 30})
    parts = [
        frame(small, measure_id=pl.lit("one")),
        frame(large, measure_id=pl.lit("two")),
        frame(large, "2026-02", measure_id=pl.lit("one")),
    ]
    out = suppress_small_counts(pl.concat(parts), POLICY)
    touched = out.filter("suppressed").select("month", "measure_id").unique().rows()
    assert touched == [("2026-01", "one")]
    assert out.height == sum(part.height for part in parts)


COUNTS = st.sampled_from([0, 0, 1, 1, 2, 3, 5, 7, 8, 9, 12, 20, 60])
TABLES = st.dictionaries(
    st.tuples(st.sampled_from("ABCDEF"), st.sampled_from(["retainer", "other"])), COUNTS, min_size=1
).map(with_totals)
OFTEN = settings(max_examples=150, deadline=None, derandomize=True)


@OFTEN
@given(TABLES, st.integers(0, 9), st.integers(0, 30))
def test_small_counts_are_hidden_and_no_sum_gives_one_away(cells: dict[Cell, int], unwarded: int, shared: int) -> None:
    """Whatever the table; some patients may be in no ward, others in several, which the totals then show."""
    for total in ((None, "retainer"), (None, "other"), (None, None)):
        if total in cells:
            largest = max(patients for (ward, group), patients in cells.items() if group == total[1] and ward)
            cells = {**cells, total: max(cells[total] + unwarded - shared, largest)}
    out = suppress_small_counts(frame(cells), POLICY)
    hidden = set(out.filter("suppressed").select("ward", "group").iter_rows())
    for row in out.iter_rows(named=True):
        patients = cells[row["ward"], row["group"]]
        if row["suppressed"]:
            assert (row["patients"], row["figure"]) == (None, None)
        else:
            assert patients >= SMALL
            assert (row["patients"], row["figure"]) == (patients, patients * 1.5)
    for total, parts in sums_of(cells):
        hidden_parts = [part for part in parts if part in hidden]
        if total in hidden:
            assert not parts or hidden_parts, (total, "is the sum of its parts, all of them shown")
        else:
            assert len(hidden_parts) != 1, (total, "less the parts shown is the one hidden")


def sums_of(cells: Iterable[Cell]) -> list[tuple[Cell, list[Cell]]]:
    """Every total with its parts: a ward and its groups, a group and its wards."""
    known = list(cells)
    sums = [((ward, None), [c for c in known if c[0] == ward and c[1]]) for ward in {c[0] for c in known}]
    sums += [((None, group), [c for c in known if c[1] == group and c[0]]) for group in {c[1] for c in known}]
    return sums


def worked_back(cells: dict[Cell, int], hidden: list[Cell]) -> set[Cell]:
    """The hidden cells of which only one count is possible, for one who knows every sum and that nobody is shown as 0.

    Each unknown is at least 1; the sums are linear, so that a linear programme finds the least and the most.
    """
    place = {cell: number for number, cell in enumerate(hidden)}
    left, right = [], []
    for total, parts in sums_of(cells):
        row, known = np.zeros(len(hidden)), 0
        for cell, sign in [(total, -1), *((part, 1) for part in parts)]:
            if cell in place:
                row[place[cell]] += sign
            else:
                known += sign * cells[cell]
        if row.any():
            left.append(row)
            right.append(-known)

    def best(aim: np.ndarray) -> np.ndarray:
        return linprog(aim, A_eq=np.array(left), b_eq=np.array(right), bounds=(1, 1000)).x

    # Two solutions that differ in a cell leave it open; only the others need both ends looked for.
    aim = np.random.default_rng(0).normal(size=len(hidden))
    one, other = best(aim), best(-aim)
    fixed = set()
    for cell in hidden:
        if abs(one[place[cell]] - other[place[cell]]) < 0.5:
            ends = np.eye(len(hidden))[place[cell]]
            if abs(best(ends)[place[cell]] - best(-ends)[place[cell]]) < 0.5:
                fixed.add(cell)
    return fixed


@OFTEN
@given(TABLES)
def test_no_hidden_count_can_be_worked_back_from_all_sums_together(cells: dict[Cell, int]) -> None:
    hidden = sorted(hidden_in(cells), key=str)
    if hidden:
        assert worked_back(cells, hidden) == set()


def test_the_attack_works_on_a_table_that_hides_too_little() -> None:
    cells = with_totals({("A", "retainer"): 3, ("A", "other"): 40, ("B", "other"): 50})
    assert worked_back(cells, [("A", "retainer"), (None, "retainer")]) == {("A", "retainer"), (None, "retainer")}


def test_what_is_left_for_hidden_parts_is_no_small_count_itself() -> None:
    """The figures of all hidden parts together can be worked out: they must not be those of a few patients."""

    @OFTEN
    @given(TABLES)
    def check(cells: dict[Cell, int]) -> None:
        hidden = hidden_in(cells)
        for total, parts in sums_of(cells):
            left = sum(cells[part] for part in parts if part in hidden)
            if total not in hidden and left:
                assert left >= SMALL

    check()
