"""`month_summary` and `month_changes` against a plain walk through the rows of a small made-up timeline."""

import statistics
from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import duckdb
import numpy as np
import pytest
from scipy import stats

from pipeline.measure import derive, fill_timeline, insert
from pipeline.month_rollup import month_tables
from pipeline.policy import read_policy
from tests.charts import chart, device, gas, reading, target, together, ward
from tests.stores import empty_store, made_up_stays, store_with

Cell = tuple[str, str | None, str | None]
Row = dict[str, Any]

OBSERVED = ("below", "within", "above_on_oxygen", "above_on_air", "above_device_unknown")
STATES = (*OBSERVED, "unobserved", "no_target", "excluded")
SHARES = ("below", "within", "above_on_oxygen")


def rows_of(connection: duckdb.DuckDBPyConnection, query: str) -> list[Row]:
    result = connection.execute(query)
    names = [column[0] for column in result.description]
    return [dict(zip(names, row, strict=True)) for row in result.fetchall()]


def rolled_up(connection: duckdb.DuckDBPyConnection) -> tuple[dict[Cell, Row], dict[Cell, Row]]:
    """The two tables as the store takes them, by cell."""
    fill_timeline(connection, read_policy())
    derive(connection, "stay_month_time")
    summary, changes = month_tables(connection)
    insert(connection, "month_summary", summary)
    insert(connection, "month_changes", changes)
    tables = (rows_of(connection, f"select * from {name}") for name in ("month_summary", "month_changes"))
    by_cell = [{(row["month"], row["ward"], row["group"]): row for row in rows} for rows in tables]
    assert [len(each) for each in by_cell] == [summary.height, changes.height], "one row a cell"
    return by_cell[0], by_cell[1]


@pytest.fixture(scope="module")
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with store_with(made_up_stays()) as connection:
        yield connection


@pytest.fixture(scope="module")
def tables(store: duckdb.DuckDBPyConnection) -> tuple[dict[Cell, Row], dict[Cell, Row]]:
    return rolled_up(store)


@pytest.fixture(scope="module")
def summary(tables: tuple[dict[Cell, Row], dict[Cell, Row]]) -> dict[Cell, Row]:
    return tables[0]


@pytest.fixture(scope="module")
def timeline(store: duckdb.DuckDBPyConnection, summary: dict[Cell, Row]) -> list[Row]:
    return rows_of(store, "select * from timeline")


def group_of(timeline: list[Row]) -> dict[tuple[str, str], str]:
    """By patient and month: `retainer` when one of the patient's stays in the month has evidence at any time."""
    with_evidence = {(row["patient_key"], row["month"]) for row in timeline if row["retainer_ever"] is not None}
    return {
        (row["patient_key"], row["month"]): "retainer"
        if (row["patient_key"], row["month"]) in with_evidence
        else "other"
        for row in timeline
    }


def in_cells(month: str, ward: str | None, group: str) -> set[Cell]:
    """A row counts in its ward and in all wards, in its group and in all patients."""
    return {(month, place, whom) for place in (ward, None) for whom in (group, None)}


def by_cell(timeline: list[Row]) -> dict[Cell, list[Row]]:
    groups, cells = group_of(timeline), defaultdict(list)
    for row in timeline:
        for cell in in_cells(row["month"], row["ward"], groups[row["patient_key"], row["month"]]):
            cells[cell].append(row)
    return cells


def seconds_in(rows: list[Row], *states: str) -> int:
    return sum(row["seconds"] for row in rows if row["band_state"] in states)


def share(part: float, whole: float) -> float | None:
    return part / whole if whole else None


def own_shares(rows: list[Row]) -> list[float]:
    """Each patient's own share of observed time within the band."""
    patients = defaultdict(list)
    for row in rows:
        patients[row["patient_key"]].append(row)
    pairs = [(seconds_in(own, "within"), seconds_in(own, *OBSERVED)) for own in patients.values()]
    return [within / observed for within, observed in pairs if observed]


def walked(rows: list[Row]) -> Row:
    """Everything of one cell that does not rest on random draws and not on episodes."""
    observed = seconds_in(rows, *OBSERVED)
    judged = [row for row in rows if row["band_state"] not in ("no_target", "excluded")]
    readings = [row["band_state"] for row in judged for _ in range(row["readings"])]
    unobserved = [row for row in rows if row["band_state"] == "unobserved"]
    shares = own_shares(rows)
    quarters = statistics.quantiles(shares, n=4, method="inclusive") if len(shares) > 1 else shares * 3
    return {
        "patients": len({row["patient_key"] for row in rows}),
        "patients_observed": len(shares),
        "stays": len({row["stay_id"] for row in rows}),
        **{f"{state}_s": seconds_in(rows, state) for state in STATES},
        "unobserved_on_oxygen_s": sum(row["seconds"] for row in unobserved if row["on_oxygen"] is True),
        "unobserved_on_air_s": sum(row["seconds"] for row in unobserved if row["on_oxygen"] is False),
        **{f"share_{state}": share(seconds_in(rows, state), observed) for state in SHARES},
        "patient_share_within_q1": quarters[0] if quarters else None,
        "patient_share_within_median": quarters[1] if quarters else None,
        "patient_share_within_q3": quarters[2] if quarters else None,
        "readings": len(readings),
        **{f"reading_share_{state}": share(readings.count(state), len(readings)) for state in SHARES},
    }


def test_every_cell_is_what_a_walk_through_the_timeline_gives(summary: dict[Cell, Row], timeline: list[Row]) -> None:
    cells = by_cell(timeline)
    assert set(summary) == set(cells)
    for cell, rows in cells.items():
        expected = walked(rows)
        assert {name: summary[cell][name] for name in expected} == pytest.approx(expected), cell


def test_the_made_up_stays_hold_what_these_tests_are_about(summary: dict[Cell, Row], timeline: list[Row]) -> None:
    assert {month for month, _, _ in summary} > {"2025-09", "2025-11", "2025-12", "2026-01"}
    assert "2025-10" not in {month for month, _, _ in summary}
    assert any(row["ward"] is None for row in timeline)
    assert {row["band_state"] for row in timeline} == set(STATES)
    groups = group_of(timeline)
    patients = {patient for patient, _ in groups}
    # Some belong to one group in one month and to the other in another.
    assert any(len({groups[key] for key in groups if key[0] == patient}) == 2 for patient in patients)
    assert any(row["patients_observed"] < row["patients"] for row in summary.values())
    assert any(row["share_within"] is None for row in summary.values())


def test_groups_add_up_and_unwarded_time_counts_in_all_wards_only(
    summary: dict[Cell, Row], timeline: list[Row]
) -> None:
    counted = ("patients", "stays", "readings", "episodes", *(f"{state}_s" for state in STATES))
    for (month, place, group), row in summary.items():
        if group is None:
            parts = [summary.get((month, place, each)) for each in ("retainer", "other")]
            for name in ("patients", "within_s", "unobserved_s", "readings", "episodes"):
                assert row[name] == sum(part[name] for part in parts if part), (month, place, name)
    for month in {month for month, _, _ in summary}:
        unwarded = seconds_in([row for row in timeline if row["month"] == month and row["ward"] is None], *STATES)
        in_wards = sum(
            sum(row[f"{state}_s"] for state in STATES)
            for (when, place, group), row in summary.items()
            if when == month and place is not None and group is None
        )
        everywhere = sum(summary[month, None, None][f"{state}_s"] for state in STATES)
        assert everywhere == in_wards + unwarded
    assert all(row[name] is not None for row in summary.values() for name in counted)


def test_episodes_count_in_the_month_and_ward_of_their_start(
    store: duckdb.DuckDBPyConnection, summary: dict[Cell, Row], timeline: list[Row]
) -> None:
    groups = group_of(timeline)
    expected: dict[Cell, list[int]] = defaultdict(lambda: [0, 0, 0])
    for episode in rows_of(store, "select * from high_fio2_episodes"):
        (start,) = (
            row
            for row in timeline
            if row["stay_id"] == episode["stay_id"] and row["started_at"] <= episode["started_at"] < row["ended_at"]
        )
        for cell in in_cells(start["month"], start["ward"], groups[start["patient_key"], start["month"]]):
            expected[cell][0] += 1
            expected[cell][1] += episode["saturation_during"] == "above"
            expected[cell][2] += not episode["repeat_gas_in_time"]
    names = ("episodes", "episodes_above", "episodes_without_gas_in_time")
    assert {cell: [row[name] for name in names] for cell, row in summary.items()} == {
        cell: expected[cell] for cell in summary
    }
    totals = [sum(row[name] for (_, w, g), row in summary.items() if w is None and g is None) for name in names]
    assert all(totals)


def test_a_pooled_share_weights_by_time_and_a_patient_share_does_not() -> None:
    """One patient 10 h within of 10, another 0 of 2: pooled 10/12; the middle of 1 and 0 is a half."""
    tables = together(
        [
            chart(600, target(0), *(reading(at, 90) for at in (0, 300)), stay_id="long", patient_key="a"),
            chart(120, target(0), reading(0, 80), stay_id="short", patient_key="b"),
        ]
    )
    with store_with(tables) as connection:
        row = rolled_up(connection)[0]["2026-01", None, None]
    assert row["share_within"] == pytest.approx(10 / 12)
    quartiles = [row[f"patient_share_within_{name}"] for name in ("q1", "median", "q3")]
    assert quartiles == pytest.approx([0.25, 0.5, 0.75])


def test_a_patient_is_in_the_group_of_each_month_by_the_stays_of_that_month() -> None:
    """January: two stays, a gas of 7 kPa in one: retainer in both. March: a stay of its own, nothing known of it.

    The stay over the end of January has its gas in February: in January, too, it is a stay with evidence.
    """
    seen = (target(0, 94, 98), reading(0, 96))
    tables = together(
        [
            chart(60, *seen, stay_id="a1", patient_key="a", admitted=datetime(2026, 1, 5)),
            chart(60, *seen, gas(30, 7.0), stay_id="a2", patient_key="a", admitted=datetime(2026, 1, 7)),
            chart(120, *seen, gas(90, 7.0), stay_id="b1", patient_key="b", admitted=datetime(2026, 1, 31, 23)),
            chart(60, *seen, stay_id="c1", patient_key="c", admitted=datetime(2026, 1, 9)),
            chart(60, *seen, gas(30, 7.0), stay_id="c2", patient_key="c", admitted=datetime(2025, 12, 9)),
            chart(60, *seen, gas(30, 7.0, sample_type="venous"), stay_id="d1", patient_key="d"),
        ]
    )
    with store_with(tables) as connection:
        summary, _ = rolled_up(connection)
    found = {
        (month, group): (row["patients"], row["within_s"])
        for (month, ward_name, group), row in summary.items()
        if ward_name is None and group is not None
    }
    assert found == {
        ("2025-12", "retainer"): (1, 3600),
        # a with both stays, b with its first hour, c by the gas of the stay before this admission.
        ("2026-01", "retainer"): (3, 4 * 3600),
        ("2026-01", "other"): (1, 3600),
        ("2026-02", "retainer"): (1, 3600),
    }


# --- intervals ----------------------------------------------------------------------------------------------

INTERVALS = [f"share_{state}" for state in SHARES] + ["patient_share_within_median"]


def test_intervals_are_there_from_two_observed_patients_on(summary: dict[Cell, Row]) -> None:
    seen = set()
    for row in summary.values():
        seen.add(min(row["patients_observed"], 2))
        for name in INTERVALS:
            low, high = row[f"{name}_low"], row[f"{name}_high"]
            if row["patients_observed"] < 2:
                assert (low, high) == (None, None)
            else:
                assert 0 <= low <= row[name] <= high <= 1
    assert seen == {0, 1, 2}


def test_the_intervals_of_a_cell_agree_with_scipy(summary: dict[Cell, Row], timeline: list[Row]) -> None:
    cell = max(summary, key=lambda cell: summary[cell]["patients_observed"])
    patients = defaultdict(list)
    for row in by_cell(timeline)[cell]:
        patients[row["patient_key"]].append(row)
    observed = np.array([seconds_in(rows, *OBSERVED) for rows in patients.values()], dtype=float)
    for state in SHARES:
        part = np.array([seconds_in(rows, state) for rows in patients.values()], dtype=float)
        expected = stats.bootstrap(
            (part[observed > 0], observed[observed > 0]),
            lambda a, b, axis: a.sum(axis=axis) / b.sum(axis=axis),
            paired=True,
            vectorized=True,
            method="percentile",
            n_resamples=9999,
            rng=np.random.default_rng(1),
        )
        found = [summary[cell][f"share_{state}_{end}"] for end in ("low", "high")]
        assert found == pytest.approx(list(expected.confidence_interval), abs=0.25 * expected.standard_error)


def test_the_interval_of_a_cell_does_not_hang_on_the_others() -> None:
    """The stays of December alone, and with a later month and other wards beside them: the same figures."""
    charts = [
        chart(
            600 + 60 * number,
            ward(0, "Alder"),
            target(0),
            device(0, "nasal_cannula", 2),
            *(reading(120 * at, 86 + (number + at) % 8) for at in range(5)),
            stay_id=f"s{number}",
            patient_key=f"p{number}",
            admitted=datetime(2025, 12, 3 + number),
        )
        for number in range(9)
    ]
    later = [
        chart(
            300,
            ward(0, "Birch"),
            target(0),
            reading(0, 90),
            stay_id="x",
            patient_key="x",
            admitted=datetime(2026, 1, 2),
        )
    ]
    with store_with(together(charts)) as alone, store_with(together(charts + later)) as both:
        first, second = rolled_up(alone)[0], rolled_up(both)[0]
    assert first["2025-12", "Alder", "retainer"]["share_within_low"] is not None
    assert {cell: second[cell] for cell in first} == first


# --- changes ------------------------------------------------------------------------------------------------


def test_changes_are_from_the_calendar_month_before(tables: tuple[dict[Cell, Row], dict[Cell, Row]]) -> None:
    summary, changes = tables
    before = {"2025-10": "2025-09", "2025-11": "2025-10", "2025-12": "2025-11", "2026-01": "2025-12"}
    before |= {"2025-09": "2025-08", "2026-02": "2026-01"}
    pairs = {(month, w, g): summary.get((before[month], w, g)) for month, w, g in summary}
    assert set(changes) == {cell for cell, row in pairs.items() if row is not None}
    # The month after the one without data has none, December to January has.
    assert {month for month, _, _ in changes} == {"2025-12", "2026-01", "2026-02"}
    for cell, change in changes.items():
        for state in SHARES:
            now, then = summary[cell][f"share_{state}"], pairs[cell][f"share_{state}"]  # type: ignore[index]
            found = change[f"share_{state}_change"]
            if now is None or then is None:
                assert found is None
            else:
                assert found == pytest.approx(now - then)


def test_the_interval_of_a_change_agrees_with_two_samples_drawn_apart(
    tables: tuple[dict[Cell, Row], dict[Cell, Row]], timeline: list[Row]
) -> None:
    _, changes = tables
    cell, before = ("2026-01", None, None), ("2025-12", None, None)
    cells = by_cell(timeline)
    rng = np.random.default_rng(5)
    drawn = []
    for rows in (cells[cell], cells[before]):
        patients = defaultdict(list)
        for row in rows:
            patients[row["patient_key"]].append(row)
        pairs = np.array([[seconds_in(own, "within"), seconds_in(own, *OBSERVED)] for own in patients.values()])
        pairs = pairs[pairs[:, 1] > 0]
        chosen = pairs[rng.integers(0, len(pairs), (20_000, len(pairs)))].sum(axis=1)
        drawn.append(chosen[:, 0] / chosen[:, 1])
    differences = drawn[0] - drawn[1]
    found = [changes[cell][f"share_within_change_{end}"] for end in ("low", "high")]
    assert found == pytest.approx(np.quantile(differences, [0.025, 0.975]).tolist(), abs=0.25 * differences.std())


def test_a_change_has_no_interval_where_either_month_has_one_patient(
    tables: tuple[dict[Cell, Row], dict[Cell, Row]],
) -> None:
    summary, changes = tables
    bare = 0
    for (month, w, g), change in changes.items():
        previous = {"2025-12": "2025-11", "2026-01": "2025-12", "2026-02": "2026-01"}[month]
        fewest = min(summary[month, w, g]["patients_observed"], summary[previous, w, g]["patients_observed"])
        assert (change["share_within_change_low"] is None) == (fewest < 2)
        bare += fewest < 2
    assert bare


def test_a_store_without_stays_has_no_months() -> None:
    with empty_store() as connection:
        assert rolled_up(connection) == ({}, {})


def test_a_stay_never_observed_has_its_time_and_no_shares() -> None:
    with store_with(chart(90, target(30))) as connection:
        row = rolled_up(connection)[0]["2026-01", None, "retainer"]
    assert (row["no_target_s"], row["unobserved_s"], row["patients"], row["patients_observed"]) == (1800, 3600, 1, 0)
    assert all(row[name] is None for name in row if "share" in name)
    assert (row["unobserved_on_oxygen_s"], row["unobserved_on_air_s"]) == (0, 0)


def test_months_are_those_of_the_zone() -> None:
    """23:00 UTC on 31 August is midnight of September in London, and still August in UTC."""
    stay = chart(120, target(0), admitted=datetime(2025, 8, 31, 22, 30))
    for zone, months in (
        ("Europe/London", {"2025-08": 1800, "2025-09": 5400}),
        ("UTC", {"2025-08": 5400, "2025-09": 1800}),
    ):
        with store_with(stay, zone) as connection:
            summary, _ = rolled_up(connection)
        assert {m: row["unobserved_s"] for (m, w, g), row in summary.items() if w is None and g is None} == months
