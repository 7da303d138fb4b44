"""For invented stays the tables of events equal a slow second answer in every cell (`tests/events/walk.py`)."""

from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings

from pipeline.episodes import high_fio2_episodes
from pipeline.events.estimates import episode_estimates
from pipeline.events.excess import excess_runs
from pipeline.events.gases import gas_findings
from pipeline.events.oxygen_changes import oxygen_changes
from pipeline.events.stretches import Batch
from pipeline.events.valves import valve_stretches
from pipeline.physiology.entrainment import valve_setup
from tests import oracle
from tests.events import walk
from tests.events.batches import POLICY, batch_of
from tests.strategies import Case, cases, policy_of

ENOUGH = settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def built(case: Case) -> Batch:
    return batch_of(case.tables, policy_of(case.thresholds), case.zone, case.as_of)


def walked(case: Case) -> tuple[Any, ...]:
    step = oracle.exact_step(case.tables, case.as_of, case.thresholds)
    return case.tables, case.zone, case.as_of, case.thresholds, step


def compare(found: list[dict[str, Any]], expected: list[dict[str, Any]], *keys: str) -> None:
    """Every row and every cell the walk gives, floats to a billionth; `keys` name a row."""

    def by_key(rows: list[dict[str, Any]]) -> dict[tuple[Any, ...], dict[str, Any]]:
        named = {tuple(row[key] for key in keys): row for row in rows}
        assert len(named) == len(rows)
        return named

    one, other = by_key(found), by_key(expected)
    assert set(one) == set(other)
    for name, row in other.items():
        for column, value in row.items():
            wanted = pytest.approx(value, abs=1e-9) if isinstance(value, float) else value
            assert one[name][column] == wanted, (name, column)


@ENOUGH
@given(cases())
def test_oxygen_changes_equal_a_walk(case: Case) -> None:
    found = oxygen_changes(built(case), policy_of(case.thresholds)).to_dicts()
    compare(found, walk.oxygen_changes(*walked(case)), "stay_id", "changed_at")


@ENOUGH
@given(cases())
def test_excess_runs_equal_a_walk(case: Case) -> None:
    found = excess_runs(built(case), policy_of(case.thresholds)).to_dicts()
    compare(found, walk.excess_runs(*walked(case)), "stay_id", "started_at")


@ENOUGH
@given(cases())
def test_episode_estimates_equal_a_walk_and_the_best_ones_are_the_episodes(case: Case) -> None:
    batch, policy = built(case), policy_of(case.thresholds)
    found = episode_estimates(batch, policy)
    compare(found.to_dicts(), walk.episode_estimates(*walked(case)), "estimate", "stay_id", "started_at")
    shared = ["stay_id", "started_at", "ward", "high_s", "saturation_during"]
    best = found.filter(pl.col("estimate") == "best").select(shared).sort("stay_id", "started_at")
    episodes = high_fio2_episodes(batch.timeline, batch.rows("gases"), policy).select(shared)
    assert best.rows() == episodes.rows()


@ENOUGH
@given(cases())
def test_valve_time_equals_a_walk_in_pieces_that_do_not_overlap(case: Case) -> None:
    batch, policy = built(case), policy_of(case.thresholds)
    rows = valve_stretches(batch, policy)
    key = ["stay_id", "ward", "month", "printed_fraction", "flow_l_min", "respiratory_rate", "retainer"]
    totals = rows.group_by(key).agg(pl.col("seconds").sum()).rows()
    assert {row[:-1]: row[-1] for row in totals} == walk.valve_seconds(*walked(case))
    ends = pl.col("started_at") + pl.duration(seconds="seconds")
    overlap = pl.col("started_at").shift(-1).over("stay_id") < ends
    assert not rows.filter((pl.col("seconds") <= 0) | overlap.fill_null(False)).height
    again = rows.select(valve_setup(POLICY, pl.col("printed_fraction"), pl.col("flow_l_min")).alias("setup"))
    assert rows["setup"].to_list() == again["setup"].to_list()


@ENOUGH
@given(cases())
def test_gases_stand_where_a_walk_finds_them(case: Case) -> None:
    found = gas_findings(built(case), policy_of(case.thresholds)).to_dicts()
    tables, zone, as_of, thresholds, _ = walked(case)
    compare(found, walk.gases_in_place(tables, zone, as_of, thresholds), "stay_id", "taken_at")
