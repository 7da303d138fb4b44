"""Equal readings of a monitor share a row of the timeline, and nothing that is counted changes by it.

Expected values: a walk through the readings one by one, and the same store measured with every reading in a row of its
own.
"""

from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline import reading_runs
from pipeline.measure import MEASURED_TABLES, measure_store
from pipeline.policy import read_policy
from pipeline.timeline import build_timeline
from tests.charts import ADMITTED, Tables
from tests.stores import made_up_stays, store_with
from tests.strategies import Case, cases, frames, policy_of
from tests.test_timeline_against_oracle import check_band_time_and_episodes

POLICY = read_policy()
FEW = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def stay_with(*readings: tuple[int, float], **others: list[dict[str, Any]]) -> Tables:
    """An hour under 88-92 % with these readings, at seconds from admission."""
    at = [(ADMITTED + timedelta(seconds=second), value) for second, value in readings]
    return {
        "stays": [
            {
                "stay_id": "s",
                "patient_key": "p",
                "admitted_at": ADMITTED,
                "discharged_at": ADMITTED + timedelta(hours=1),
            }
        ],
        "readings": [{"stay_id": "s", "taken_at": taken_at, "spo2_percent": value} for taken_at, value in at],
        "targets": [{"stay_id": "s", "prescribed_at": ADMITTED, "lower_percent": 88.0, "upper_percent": 92.0}],
        **others,
    }


def rows(tables: Tables, carry_hours: float = 6) -> list[tuple[int, int, float | None, int, int]]:
    """Each row of the timeline: second of its start, seconds, saturation, readings, seconds to the last of them."""
    policy = policy_of({"reading_carry_hours": carry_hours})
    found = build_timeline(frames(tables, tables["stays"][0]["discharged_at"]), policy, "UTC").joined()
    return [
        (int((row["started_at"] - ADMITTED).total_seconds()), *(row[name] for name in _SHOWN))
        for row in found.to_dicts()
    ]


_SHOWN = ("seconds", "spo2_percent", "readings", "last_reading_s")


def test_equal_readings_a_minute_apart_share_a_row() -> None:
    assert rows(stay_with((0, 90), (60, 90), (120, 90))) == [(0, 3600, 90, 3, 120)]


def test_a_reading_more_than_a_minute_later_has_a_row_of_its_own() -> None:
    assert rows(stay_with((0, 90), (61, 90))) == [(0, 61, 90, 1, 0), (61, 3539, 90, 1, 0)]


def test_another_value_begins_another_row() -> None:
    assert rows(stay_with((0, 90), (1, 90), (2, 91), (3, 90))) == [
        (0, 2, 90, 2, 1),
        (2, 1, 91, 1, 0),
        (3, 3597, 90, 1, 0),
    ]


def test_what_changes_between_two_equal_readings_parts_them() -> None:
    moved = [{"stay_id": "s", "entered_at": ADMITTED + timedelta(seconds=2), "ward": "B"}]
    assert rows(stay_with((0, 90), (1, 90), (3, 90), (4, 90), wards=moved)) == [
        (0, 2, 90, 2, 1),
        (2, 1, 90, 0, 0),
        (3, 3597, 90, 2, 1),
    ]


@pytest.mark.parametrize("beside", [{"respiratory_rate": 18.0}, {"ews_scale": "2"}, {"spo2_score": "0"}])
@pytest.mark.parametrize("which", [0, 1])
def test_a_reading_with_more_charted_beside_it_keeps_its_own_row(beside: dict[str, Any], which: int) -> None:
    tables = stay_with((0, 90), (1, 90), (2, 90))
    tables["readings"][which].update(beside)
    apart = {0: [(0, 1, 90, 1, 0), (1, 3599, 90, 2, 1)], 1: [(0, 1, 90, 1, 0), (1, 1, 90, 1, 0), (2, 3598, 90, 1, 0)]}
    assert rows(tables) == apart[which]


def test_the_time_a_reading_speaks_begins_with_the_last_of_them() -> None:
    assert rows(stay_with((0, 90), (60, 90), (120, 90)), carry_hours=0.5) == [
        (0, 120 + 1800, 90, 3, 120),
        (1920, 1680, None, 0, 0),
    ]


def test_readings_are_not_joined_over_the_time_for_which_the_first_of_them_speaks() -> None:
    assert rows(stay_with((0, 90), (60, 90)), carry_hours=0.01) == [
        (0, 36, 90, 1, 0),
        (36, 24, None, 0, 0),
        (60, 36, 90, 1, 0),
        (96, 3504, None, 0, 0),
    ]


def monitored(draw: st.DrawFn, case: Case) -> Case:
    """The case with a monitor on each stay: bursts of readings seconds apart, whose value seldom changes."""
    readings = list(case.tables["readings"])
    for stay in case.tables["stays"]:
        end = stay["discharged_at"] or case.as_of
        taken = {row["taken_at"] for row in readings if row["stay_id"] == stay["stay_id"]}
        at, value = stay["admitted_at"], draw(st.sampled_from((88.0, 92.0, 93.0, 87.0)))
        for step in draw(st.lists(st.sampled_from((1, 5, 30, 59, 60, 60, 61, 600)), min_size=20, max_size=60)):
            at += timedelta(seconds=step)
            value = draw(st.sampled_from((*(value,) * 10, 88.0, 93.0)))
            if at < end and at not in taken:
                readings.append({"stay_id": stay["stay_id"], "taken_at": at, "spo2_percent": value})
    # A reading that soon runs out shows how long a run speaks.
    thresholds = case.thresholds | {"reading_carry_hours": draw(st.sampled_from((0.02, 0.5)))}
    return Case(case.tables | {"readings": readings}, case.zone, case.as_of, thresholds)


@st.composite
def monitored_cases(draw: st.DrawFn) -> Case:
    # Every second is walked through, also where the rest is charted by the minute: stays somewhat longer than a carry.
    return monitored(draw, draw(cases(grids=(1, 60), most_hours=7)))


@FEW
@given(monitored_cases())
def test_band_time_and_episodes_of_monitored_beds_equal_a_walk_by_seconds(case: Case) -> None:
    check_band_time_and_episodes(case)


@FEW
@given(monitored_cases())
def test_runs_are_those_of_a_walk_through_the_readings(case: Case) -> None:
    built = build_timeline(frames(case.tables, case.as_of), policy_of(case.thresholds), case.zone).joined()
    taken = {(row["stay_id"], row["taken_at"]): row for row in case.tables["readings"]}
    for stay in case.tables["stays"]:
        own = built.filter(pl.col("stay_id") == stay["stay_id"]).sort("started_at").to_dicts()
        for one, other in pairwise(own):
            if not one["readings"] or not other["readings"]:
                continue
            # Two rows with readings that follow each other are apart for a reason.
            last_at = one["started_at"] + timedelta(seconds=one["last_reading_s"])
            gap = (other["started_at"] - last_at).total_seconds()
            states = [{name: row[name] for name in row if name not in _OF_SPANS} for row in (one, other)]
            beside = [taken[stay["stay_id"], row["started_at"]].get("respiratory_rate") for row in (one, other)]
            assert gap > 60 or states[0] != states[1] or any(rate is not None for rate in beside)


_OF_SPANS = ("started_at", "ended_at", "seconds", "readings", "last_reading_s")


def monitored_stays() -> Tables:
    """Made-up stays with hours on a monitor, a reading every 1 to 60 seconds, seldom another value."""
    tables = made_up_stays(40)
    rng = np.random.default_rng(7)
    taken = {(row["stay_id"], row["taken_at"]) for row in tables["readings"]}
    for stay in tables["stays"][::2]:
        hours = (stay["discharged_at"] - stay["admitted_at"]).total_seconds() / 3600
        at = stay["admitted_at"] + timedelta(seconds=int(rng.uniform(0, hours * 1800)))
        value = float(rng.integers(86, 98))
        # On little oxygen meanwhile, with a target: two readings in the band ask for it to be stopped.
        low = {"device": "nasal_cannula", "flow_l_min": 1.0, "fio2_fraction": None, "ended_at": None}
        tables["devices"].append({"stay_id": stay["stay_id"], "started_at": at, **low})
        band = {"lower_percent": 88.0, "upper_percent": 92.0, "stopped_at": None}
        tables["targets"].append({"stay_id": stay["stay_id"], "prescribed_at": at, **band})
        for _ in range(400):
            at += timedelta(seconds=int(rng.choice([1, 1, 10, 60, 61])))
            value += float(rng.choice([0, 0, 0, 0, 1, -1]))
            if at < stay["discharged_at"] and (stay["stay_id"], at) not in taken:
                tables["readings"].append({"stay_id": stay["stay_id"], "taken_at": at, "spo2_percent": value})
    tables["readings"].sort(key=lambda row: (row["stay_id"], row["taken_at"]))
    return tables


def measured(tables: Tables) -> dict[str, pl.DataFrame]:
    connection = store_with(tables)
    measure_store(connection, POLICY)
    found = {table: connection.sql(f"select * from {table} order by all").pl() for table in MEASURED_TABLES}
    connection.close()
    return found


@pytest.fixture(scope="module")
def both_ways() -> Iterator[tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame]]]:
    """All measured tables with runs, and with a row for every reading."""
    tables = monitored_stays()
    with pytest.MonkeyPatch.context() as patch:
        joined = measured(tables)
        patch.setattr(reading_runs, "LONGEST_GAP_S", 0)
        yield joined, measured(tables)


def test_runs_make_the_timeline_shorter(
    both_ways: tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame]],
) -> None:
    joined, single = (tables["spans"] for tables in both_ways)
    assert joined.height < 0.6 * single.height
    assert joined["readings"].sum() == single["readings"].sum()
    assert single["readings"].max() == 1


@pytest.mark.parametrize("table", [table for table in MEASURED_TABLES if table != "spans"])
def test_runs_change_nothing_that_is_counted(
    both_ways: tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame]], table: str
) -> None:
    joined, single = (tables[table] for tables in both_ways)
    assert_frame_equal(joined, single, check_exact=False, rel_tol=1e-12, abs_tol=1e-9)


def test_monitored_stays_reach_what_hangs_on_single_readings() -> None:
    """So that the comparison above is one: steps that need two readings in a row, and intervals between readings."""
    connection = store_with(monitored_stays())
    measure_store(connection, POLICY)
    counted = dict(
        connection.execute("select step, count(*) from pathway_steps group by step").fetchall()
        + connection.execute("select measure_id, count(*) from measure_rows group by measure_id").fetchall()
    )
    assert counted["oxygen_stopped"] > 5
    assert counted["stepped_down"] > 5
    assert counted["observed_in_time"] > 5
