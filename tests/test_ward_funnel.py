"""Wards against the hospital, from measured rows written by hand."""

from collections.abc import Iterator

import duckdb
import numpy as np
import pytest

from pipeline.catalogue import read_measures
from pipeline.funnel import LEVELS, binomial_limits, time_share_limits
from pipeline.store import sql_text
from pipeline.ward_funnel import ward_funnel

MEASURES = {measure.id: measure for measure in read_measures()}
TIME, EVENTS = MEASURES["share_above_on_oxygen"], MEASURES["oxygen_stays_with_target"]
WARDS = ("Alder", "Birch", "Cedar", "Hazel", "Rowan", "Willow")


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as connection:
        connection.execute(sql_text("tables", "measure_rows"))
        yield connection


def put(con: duckdb.DuckDBPyConnection, measure: str, rows: list[tuple[str, str | None, float, float]]) -> None:
    """rows: patient, ward, numerator, denominator."""
    con.executemany(
        'insert into measure_rows (measure_id, stay_id, patient_key, ward, month, "group", numerator, denominator) '
        "values (?, ?, ?, ?, '2026-05', 'other', ?, ?)",
        [(measure, patient, patient, ward, numerator, denominator) for patient, ward, numerator, denominator in rows],
    )


def test_wards_of_events_have_exact_limits_around_the_hospital(con: duckdb.DuckDBPyConnection) -> None:
    """Five wards with 16 of 20 and Willow with 6 of 20: 86 of 120 in the hospital."""
    put(con, EVENTS.id, [(f"{w}{n}", w, float(n < (6 if w == "Willow" else 16)), 1) for w in WARDS for n in range(20)])
    found = ward_funnel(con, EVENTS, "2026-05", WARDS)
    assert found is not None
    assert (found.share, found.size_name) == (86 / 120, "events")
    assert found.spread.tau2 == 0
    willow = found.wards[-1]
    assert (willow.share, willow.size, willow.beyond) == (0.3, 20, (-1, -1))
    assert [ward.beyond for ward in found.wards[:-1]] == [(0, 0)] * 5
    low, high = binomial_limits(86 / 120, np.array([20]), 0.998)
    assert willow.limits[1] == pytest.approx((low[0], high[0]))


def test_wards_of_time_have_limits_by_number_of_patients(con: duckdb.DuckDBPyConnection) -> None:
    rng = np.random.default_rng(2)
    seconds = rng.gamma(2, 40_000, 120)
    above = seconds * rng.beta(1, 6, 120)
    put(con, TIME.id, [(f"P{n:03d}", WARDS[n % 6], float(above[n]), float(seconds[n])) for n in range(120)])
    found = ward_funnel(con, TIME, "2026-05", WARDS)
    assert found is not None
    assert found.size_name == "patients"
    assert found.share == pytest.approx(above.sum() / seconds.sum())
    assert {ward.size for ward in found.wards} == {20}
    for level, limits in zip(LEVELS, found.wards[0].limits, strict=True):
        low, high = time_share_limits(above, seconds, np.array([20]), level, found.spread.tau2)
        assert limits == pytest.approx((low[0], high[0]))


def test_wards_not_shown_count_for_the_hospital_and_for_nothing_else(con: duckdb.DuckDBPyConnection) -> None:
    put(con, EVENTS.id, [(f"{w}{n}", w, float(n < 12), 1) for w in WARDS for n in range(20)])
    found = ward_funnel(con, EVENTS, "2026-05", ("Alder", "Hazel"))
    assert found is not None
    assert [ward.ward for ward in found.wards] == ["Alder", "Hazel"]
    assert found.share == 0.6
    assert found.spread.wards == 2


def test_a_patient_in_two_stays_of_a_ward_is_one_patient(con: duckdb.DuckDBPyConnection) -> None:
    rows = [(f"P{n}", ward, 10.0 * n, 100.0) for n in range(9) for ward in ("Alder", "Birch")]
    put(con, TIME.id, [*rows, ("P1", "Alder", 5.0, 50.0)])
    found = ward_funnel(con, TIME, "2026-05", ("Alder", "Birch"))
    assert found is not None
    assert [ward.size for ward in found.wards] == [9, 9]


def test_time_before_the_first_ward_is_the_hospitals_alone_and_one_ward_is_no_funnel(
    con: duckdb.DuckDBPyConnection,
) -> None:
    put(con, TIME.id, [("P1", None, 100.0, 100.0), ("P2", "Alder", 10.0, 100.0), ("P3", "Birch", 30.0, 100.0)])
    found = ward_funnel(con, TIME, "2026-05", ("Alder", "Birch"))
    assert found is not None
    assert found.share == pytest.approx(140 / 300)
    assert [ward.ward for ward in found.wards] == ["Alder", "Birch"]
    assert ward_funnel(con, TIME, "2026-05", ("Alder",)) is None
    assert ward_funnel(con, TIME, "2026-04", ("Alder", "Birch")) is None
