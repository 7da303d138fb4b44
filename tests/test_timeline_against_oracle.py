"""For invented stays the tool equals a slow second answer in every cell.

Source of the expected values: `tests/oracle.py`, a step-by-step walk written from the definitions alone.
"""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings

from pipeline.episodes import high_fio2_episodes
from pipeline.measure import stay_band_time
from pipeline.policy import read_policy
from pipeline.timeline import Timeline, build_timeline
from tests import oracle, oracle_episodes
from tests.charts import chart, device, flag, gas, reading, target
from tests.strategies import Case, cases, frames, policy_of

# Columns of a timeline row that are not a state: its span, and how many readings were taken in it.
SPAN_COLUMNS = {"started_at", "ended_at", "seconds", "readings", "last_reading_s"}
BY_MINUTE = settings(max_examples=50, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
BY_SECOND = settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def built(case: Case) -> Timeline:
    return build_timeline(frames(case.tables, case.as_of), policy_of(case.thresholds), case.zone)


def timeline_of(case: Case) -> pl.DataFrame:
    return built(case).joined()


def compare(found: list[dict[str, Any]], expected: list[dict[str, Any]], keys: tuple[str, ...]) -> None:
    """Every row and every cell, floats to a billionth; `keys` name a row."""

    def sorted_rows(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return sorted(rows, key=lambda row: [(row[key] is not None, row[key]) for key in keys])

    found, expected = sorted_rows(found), sorted_rows(expected)
    named = [tuple(row[key] for key in keys) for row in found]
    assert named == [tuple(row[key] for key in keys) for row in expected]
    for name, one, other in zip(named, found, expected, strict=True):
        assert set(one) == set(other)
        for column, value in other.items():
            wanted = pytest.approx(value, abs=1e-9) if isinstance(value, float) else value
            assert one[column] == wanted, (name, column)


def check_band_time_and_episodes(case: Case) -> None:
    step = oracle.exact_step(case.tables, case.as_of, case.thresholds)
    timeline = built(case)
    compare(
        stay_band_time(timeline).to_dicts(),
        oracle.stay_band_time(case.tables, case.zone, case.as_of, case.thresholds, step),
        oracle.BAND_KEYS,
    )
    gases = frames(case.tables, case.as_of)["gases"]
    compare(
        high_fio2_episodes(timeline, gases, policy_of(case.thresholds)).to_dicts(),
        oracle_episodes.high_fio2_episodes(case.tables, case.zone, case.as_of, case.thresholds, step),
        ("stay_id", "started_at"),
    )


@BY_MINUTE
@given(cases())
def test_band_time_and_episodes_equal_a_walk_by_minutes(case: Case) -> None:
    check_band_time_and_episodes(case)


@BY_SECOND
@given(cases(grids=(1,)))
def test_band_time_and_episodes_equal_a_walk_by_seconds(case: Case) -> None:
    check_band_time_and_episodes(case)


@BY_MINUTE
@given(cases())
def test_every_timeline_row_holds_from_its_first_to_its_last_instant(case: Case) -> None:
    step = oracle.exact_step(case.tables, case.as_of, case.thresholds)
    stays = {stay["stay_id"]: stay for stay in case.tables["stays"]}
    for row in timeline_of(case).to_dicts():
        stay = stays[row["stay_id"]]
        for at in (row["started_at"], row["ended_at"] - timedelta(seconds=step)):
            state = oracle.state_at(stay, case.tables, case.zone, case.as_of, case.thresholds, at)
            assert set(row) - SPAN_COLUMNS == set(state)
            assert {column: row[column] for column in state} == state, at


@BY_MINUTE
@given(cases())
def test_timeline_rows_touch_and_sum_to_the_stay(case: Case) -> None:
    rows_of: dict[str, list[Mapping[str, Any]]] = {stay["stay_id"]: [] for stay in case.tables["stays"]}
    for row in timeline_of(case).sort("stay_id", "started_at").to_dicts():
        rows_of[row["stay_id"]].append(row)
    for stay in case.tables["stays"]:
        rows = rows_of[stay["stay_id"]]
        start, end = oracle.window(stay, case.as_of)
        assert sum(row["seconds"] for row in rows) == (end - start).total_seconds()
        assert all(row["seconds"] > 0 for row in rows)
        assert all(row["ended_at"] - row["started_at"] == timedelta(seconds=row["seconds"]) for row in rows)
        edges = [start, *(row["ended_at"] for row in rows)]
        assert edges[:-1] == [row["started_at"] for row in rows]
        assert edges[-1] == end


@BY_MINUTE
@given(cases())
def test_every_reading_inside_a_stay_is_in_one_row_that_starts_with_one(case: Case) -> None:
    stays = {stay["stay_id"]: oracle.window(stay, case.as_of) for stay in case.tables["stays"]}
    taken = sorted(
        (row["stay_id"], row["taken_at"], row["spo2_percent"])
        for row in case.tables["readings"]
        if stays[row["stay_id"]][0] <= row["taken_at"] < stays[row["stay_id"]][1]
    )
    rows = timeline_of(case).select("stay_id", "started_at", "ended_at", "spo2_percent", "readings", "last_reading_s")
    found = []
    for stay_id, started_at, ended_at, spo2, readings, last_s in rows.rows():
        own = [row for row in taken if row[0] == stay_id and started_at <= row[1] < ended_at]
        assert readings == len(own)
        if own:
            assert {row[2] for row in own} == {spo2}
            assert (own[0][1], own[-1][1]) == (started_at, started_at + timedelta(seconds=last_s))
        found += own
    assert sorted(found) == taken


def test_the_walk_uses_the_default_thresholds_of_the_policy() -> None:
    policy = read_policy()
    assert {name: getattr(policy, name) for name in oracle.DEFAULTS} == oracle.DEFAULTS


def test_a_longer_step_gives_the_same_answer_as_a_step_of_one_second() -> None:
    """The walk by minutes is exact where all times are whole minutes: checked on one busy stay by both steps."""
    tables = chart(
        500,
        target(3, until=391),
        *(reading(at, spo2) for at, spo2 in ((1, 90), (17, 96), (100, 85), (490, 91))),
        device(7, "simple_mask", flow=5, until=61),
        device(80, "nasal_cannula", flow=3),
        device(130, "oxygen_driven_nebuliser"),
        gas(71, 6.5, 7.3),
        flag(140, "theatre", until=151),
    )
    as_of = tables["stays"][0]["discharged_at"]
    assert oracle.exact_step(tables, as_of, oracle.DEFAULTS) == 60
    for measure, keys in (
        (oracle.stay_band_time, oracle.BAND_KEYS),
        (oracle_episodes.high_fio2_episodes, ("stay_id", "started_at")),
    ):
        by_minute = measure(tables, "Europe/London", as_of, oracle.DEFAULTS, 60)
        by_second = measure(tables, "Europe/London", as_of, oracle.DEFAULTS, 1)
        assert by_minute
        compare(by_minute, by_second, keys)
