"""Before and after a declared change, from measured rows written by hand."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import duckdb
import numpy as np
import pytest

from pipeline.before_after import newcombe
from pipeline.catalogue import read_measures
from pipeline.change_effects import effect, months_around
from pipeline.declared_changes import DeclaredChange
from pipeline.store import sql_text

TIME = next(measure for measure in read_measures() if measure.id == "share_above_on_oxygen")
EVENTS = next(measure for measure in read_measures() if measure.id == "target_within_hour")
RATE = next(measure for measure in read_measures() if measure.kind == "rate")
MEDIAN = next(measure for measure in read_measures() if measure.kind == "median")
MONTHS = tuple(f"2026-{month:02d}" for month in range(1, 9))
CHANGE = DeclaredChange(date(2026, 4, 10), "x")


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as connection:
        connection.execute(sql_text("tables", "measure_rows"))
        yield connection


def put(con: duckdb.DuckDBPyConnection, measure: str, rows: list[tuple[object, ...]]) -> None:
    """rows: patient, ward, month, group, numerator, denominator, value, censored."""
    con.executemany(
        'insert into measure_rows (measure_id, stay_id, patient_key, ward, month, "group", numerator, denominator, '
        "value, censored) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(measure, row[0], *row) for row in rows],
    )


# --- which months -----------------------------------------------------------------------------------------------


def test_the_month_of_the_change_is_on_neither_side() -> None:
    assert months_around(CHANGE, [CHANGE], MONTHS) == (MONTHS[:3], MONTHS[4:])


def test_a_change_on_the_first_has_its_own_month_after_it() -> None:
    change = DeclaredChange(date(2026, 4, 1), "x")
    assert months_around(change, [change], MONTHS) == (MONTHS[:3], MONTHS[3:])


def test_the_change_next_to_it_ends_a_side_and_its_month_is_on_none() -> None:
    """Changes on 15 February, 1 May and 20 July: March and April; May and June; August."""
    changes = [DeclaredChange(date(2026, month, day), "x") for month, day in ((2, 15), (5, 1), (7, 20))]
    assert months_around(changes[1], changes, MONTHS) == (("2026-03", "2026-04"), ("2026-05", "2026-06"))
    assert months_around(changes[2], changes, MONTHS) == (("2026-05", "2026-06"), ("2026-08",))
    assert months_around(changes[0], changes, MONTHS) == (("2026-01",), ("2026-03", "2026-04"))


def test_two_changes_in_one_month_have_the_same_months() -> None:
    both = [DeclaredChange(date(2026, 4, 10), "x"), DeclaredChange(date(2026, 4, 20), "y")]
    assert months_around(both[0], both, MONTHS) == months_around(both[1], both, MONTHS) == (MONTHS[:3], MONTHS[4:])


# --- the difference ---------------------------------------------------------------------------------------------


def test_a_share_of_time_is_pooled_over_the_months_shown(con: duckdb.DuckDBPyConnection) -> None:
    """Before: (100 + 300) / 1000; after: 150 / 1000. March may not be shown, April is divided: neither is used."""
    put(
        con,
        TIME.id,
        [
            ("P1", "Alder", "2026-01", "other", 100, 600, None, None),
            ("P2", "Alder", "2026-02", "retainer", 300, 400, None, None),
            ("P1", "Alder", "2026-03", "other", 999, 999, None, None),
            ("P2", "Alder", "2026-04", "other", 999, 999, None, None),
            ("P3", "Birch", "2026-05", "other", 50, 700, None, None),
            ("P4", "Alder", "2026-06", "retainer", 100, 300, None, None),
        ],
    )
    shown = dict.fromkeys(("2026-01", "2026-02", "2026-04", "2026-05", "2026-06"), 0.2)
    found = effect(con, TIME, CHANGE, [CHANGE], shown)
    assert found.before == ("2026-01", "2026-02")
    assert found.difference is not None
    assert (found.difference.before, found.difference.after) == (0.4, 0.15)
    assert found.interrupted is None
    in_alder = effect(con, TIME, CHANGE, [CHANGE], shown, ward="Alder", group="retainer").difference
    assert in_alder is not None
    assert (in_alder.before, in_alder.after) == pytest.approx((0.75, 1 / 3))


def test_one_event_a_patient_is_newcombes_interval_nearly(con: duckdb.DuckDBPyConnection) -> None:
    """12 of 40 before, 24 of 40 after, a patient each: Newcombe on 39 of 40 effective events."""
    put(
        con,
        EVENTS.id,
        [
            (f"P{side}{number}", "Alder", month, "other", float(number < came), 1, None, None)
            for side, (month, came) in enumerate((("2026-02", 12), ("2026-06", 24)))
            for number in range(40)
        ],
    )
    found = effect(con, EVENTS, CHANGE, [CHANGE], {"2026-02": 0.3, "2026-06": 0.6}).difference
    scale = 39 / 40
    expected = newcombe(12 * scale, 40 * scale, 24 * scale, 40 * scale)
    assert found is not None
    assert (found.change, found.low, found.high) == pytest.approx((0.3, expected.low, expected.high))


def test_a_rate_is_per_100_patient_days(con: duckdb.DuckDBPyConnection) -> None:
    rows = [
        (f"P{n}", "Alder", m, "other", e, 50, None, None)
        for n, (m, e) in enumerate([("2026-01", 4), ("2026-05", 1)] * 3)
    ]
    put(con, RATE.id, rows)
    found = effect(con, RATE, CHANGE, [CHANGE], {"2026-01": 8.0, "2026-05": 2.0}).difference
    assert found is not None
    assert (found.before, found.after, found.low, found.high) == pytest.approx((8, 2, -6, -6))


def test_medians_stand_before_and_after(con: duckdb.DuckDBPyConnection) -> None:
    values = {"2026-02": (30.0, 35.0, 40.0, 45.0, 50.0), "2026-06": (18.0, 20.0, 22.0, 24.0, 26.0)}
    put(
        con,
        MEDIAN.id,
        [
            (f"{month}/{value}", "Alder", month, "other", None, None, value, False)
            for month, all_of_it in values.items()
            for value in all_of_it
        ],
    )
    found = effect(con, MEDIAN, CHANGE, [CHANGE], dict.fromkeys(MONTHS, 1.0)).difference
    assert found is not None
    assert (found.before, found.after, found.change) == (40, 22, -18)
    assert -32 <= found.low <= -18 <= found.high < 0


def test_without_a_whole_month_on_one_side_there_is_no_difference(con: duckdb.DuckDBPyConnection) -> None:
    late = DeclaredChange(date(2026, 8, 3), "x")
    found = effect(con, TIME, late, [late], dict.fromkeys(MONTHS, 0.2))
    assert (found.difference, found.after) == (None, ())


def test_without_rows_the_difference_is_not_known(con: duckdb.DuckDBPyConnection) -> None:
    for measure in (TIME, EVENTS, RATE, MEDIAN):
        found = effect(con, measure, CHANGE, [CHANGE], dict.fromkeys(MONTHS, 0.2)).difference
        assert found is not None
        assert np.isnan(found.change)


def test_the_same_rows_give_the_same_interval_in_any_order(con: duckdb.DuckDBPyConnection) -> None:
    rng = np.random.default_rng(3)
    rows = [
        (f"P{n:02d}", "Alder", str(rng.choice(MONTHS)), "other", float(rng.integers(0, 50)), 100.0, None, None)
        for n in range(60)
    ]
    put(con, TIME.id, rows)
    shown = dict.fromkeys(MONTHS, 0.2)
    first = effect(con, TIME, CHANGE, [CHANGE], shown)
    con.execute("delete from measure_rows")
    put(con, TIME.id, rows[::-1])
    assert effect(con, TIME, CHANGE, [CHANGE], shown) == first


def test_twelve_months_on_either_side_give_an_interrupted_time_series(con: duckdb.DuckDBPyConnection) -> None:
    """Twelve months at 20 %, then twelve at 12 %, give or take: a step of about -8 points."""
    months = [f"{year}-{month:02d}" for year in (2024, 2025) for month in range(1, 13)]
    wave = 0.001 * np.random.default_rng(5).normal(size=24)
    shown = {month: 0.20 - 0.08 * (month >= "2025-01") + float(wave[place]) for place, month in enumerate(months)}
    change = DeclaredChange(date(2025, 1, 1), "x")
    found = effect(con, TIME, change, [change], shown).interrupted
    assert found is not None
    assert found.level.value == pytest.approx(-0.08, abs=0.003)
    assert found.level.low < -0.08 < found.level.high
    eleven = {month: value for month, value in shown.items() if month != "2024-01"}
    assert effect(con, TIME, change, [change], eleven).interrupted is None
    same = dict.fromkeys(months, 0.2)
    assert effect(con, TIME, change, [change], same).interrupted is None


def test_a_share_of_readings_counts_patients_and_not_readings(con: duckdb.DuckDBPyConnection) -> None:
    """Ten patients with 500 readings each: the interval is that of ten patients, wider than that of 5000 trials."""
    rng = np.random.default_rng(8)
    rows = [
        (f"P{side}{n}", "Alder", month, "other", float(rng.integers(0, 500)), 500.0, None, None)
        for side, month in enumerate(("2026-02", "2026-06"))
        for n in range(10)
    ]
    put(con, TIME.id, rows)
    readings = replace(TIME, of="readings")
    found = effect(con, readings, CHANGE, [CHANGE], {"2026-02": 0.5, "2026-06": 0.5}).difference
    assert found is not None
    assert found.high - found.low > 0.2
