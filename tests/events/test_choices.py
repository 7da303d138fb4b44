"""What other choices need of the timeline equals a timeline made anew under another policy, on invented stays.

Source of the expected values: the kernel itself run again with the other threshold; it is checked against a slow walk
by seconds in tests/test_timeline_against_oracle.py. The small stays are worked out by hand.
"""

from collections import Counter
from dataclasses import replace
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings

from pipeline.episodes import episodes_of, stretches
from pipeline.events.choices import CARRY_HOURS, FIO2_THRESHOLDS, carry_time, choices, threshold_episodes
from pipeline.measure import stay_band_time
from pipeline.policy import Policy
from tests.charts import chart, device, flag, gas, reading, target, together
from tests.events.batches import POLICY, batch_of, rows_of
from tests.strategies import Case, cases, policy_of

INVENTED = settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
OBSERVED = ("below_s", "within_s", "above_on_oxygen_s", "above_on_air_s", "above_device_unknown_s")
SECONDS = (*OBSERVED, "unobserved_s")
HOUR = 3600


def with_carry(policy: Policy, hours: float) -> Policy:
    return replace(policy, reading_carry_hours=hours)


def run_again(case: Case, policy: Policy, hours: float) -> dict[tuple[str, str], tuple[int, ...]]:
    """Seconds by stay and month from a timeline made under this carry; stays without time under a target left out."""
    rows = stay_band_time(batch_of(case.tables, with_carry(policy, hours), case.zone, case.as_of).timeline)
    summed = rows.group_by("stay_id", "month").agg(pl.col(SECONDS).sum())
    return {row[:2]: row[2:] for row in summed.rows() if sum(row[2:])}


@INVENTED
@given(cases())
def test_every_carry_gives_what_a_timeline_made_under_it_gives(case: Case) -> None:
    policy = policy_of(case.thresholds)
    found = carry_time(batch_of(case.tables, policy, case.zone, case.as_of), policy)
    for hours in {*CARRY_HOURS, policy.reading_carry_hours}:
        rows = found.filter(pl.col("carry_hours") == f"{hours:g}").select("stay_id", "month", *SECONDS).rows()
        assert {row[:2]: row[2:] for row in rows} == run_again(case, policy, hours), hours
        assert len(rows) == len({row[:2] for row in rows})


@INVENTED
@given(cases())
def test_every_threshold_gives_the_episodes_that_a_policy_with_it_gives(case: Case) -> None:
    policy = policy_of(case.thresholds)
    batch = batch_of(case.tables, policy, case.zone, case.as_of)
    found = threshold_episodes(batch, policy)
    columns = ["stay_id", "month", "started_at", "saturation_during"]
    for threshold in {*FIO2_THRESHOLDS, policy.high_fio2_above}:
        expected = episodes_of(stretches(batch.timeline), threshold, replace(policy, high_fio2_above=threshold))
        rows = found.filter(pl.col("high_fio2_above") == f"{threshold:g}").select(columns).rows()
        assert Counter(rows) == Counter(expected.select(columns).rows()), threshold


def carried(tables: dict[str, list[dict[str, Any]]], policy: Policy = POLICY) -> dict[str, tuple[int, ...]]:
    """By carry: hours in each of SECONDS, of a stay in one month."""
    rows = rows_of(carry_time, tables, policy)
    assert len({row["carry_hours"] for row in rows}) == len(rows)
    return {row["carry_hours"]: tuple(row[name] / HOUR for name in SECONDS) for row in rows}


def test_a_reading_speaks_until_the_next_or_as_long_as_chosen() -> None:
    """20 h under 88-92 %: 90 % at 0 h, 95 % on oxygen at 3 h, nothing more. Nobody is on oxygen before 1 h."""
    tables = chart(1200, target(0), device(60, "nasal_cannula", 2), reading(0, 90), reading(180, 95))
    assert carried(tables) == {
        "1": (0, 1, 1, 0, 0, 18),
        "2": (0, 2, 2, 0, 0, 16),
        "4": (0, 3, 4, 0, 0, 13),
        "6": (0, 3, 6, 0, 0, 11),
        "12": (0, 3, 12, 0, 0, 5),
    }


def test_a_reading_that_goes_on_is_judged_by_what_changes_meanwhile() -> None:
    """95 % at 0 h: above 88-92 % on oxygen; from 8 h on air; from 9 h under 94-98 %; from 10 h out of the audit.

    The audit carries 6 h, so all that comes after 6 h is found only because the last reading is still known.
    """
    tables = chart(
        900,
        target(0),
        device(0, "nasal_cannula", 2),
        reading(0, 95),
        device(480, "room_air"),
        target(540, 94, 98),
        flag(600, "theatre", until=660),
    )
    found = carried(tables)
    assert found["6"] == (0, 0, 6, 0, 0, 8)
    # Of 12 h: 8 above on oxygen, 1 above on air, 1 + 1 within, 1 out of the audit; from 12 h to 15 h nothing is seen.
    assert found["12"] == (0, 2, 8, 1, 0, 3)


def test_nothing_is_carried_from_one_stay_into_the_next() -> None:
    """The first stay ends with a reading; the second, of the same patient from that hour on, has none."""
    tables = together(
        [
            chart(60, target(0), reading(0, 90), stay_id="a"),
            chart(120, target(0), stay_id="b"),
        ]
    )
    rows = {row["stay_id"]: row for row in rows_of(carry_time, tables) if row["carry_hours"] == "12"}
    assert [rows["a"][name] for name in SECONDS] == [0, HOUR, 0, 0, 0, 0]
    assert [rows["b"][name] for name in SECONDS] == [0, 0, 0, 0, 0, 2 * HOUR]


def test_time_before_the_first_reading_and_without_a_target_is_in_no_state() -> None:
    """Target from 1 h, reading at 2 h, stay of 3 h: one hour unobserved, one within, the first hour nowhere."""
    assert carried(chart(180, target(60), reading(120, 90)))["4"] == (0, 1, 0, 0, 0, 1)


def test_the_choice_of_the_policy_is_among_those_looked_at() -> None:
    policy = replace(POLICY, reading_carry_hours=3, high_fio2_above=0.3)
    tables = chart(600, target(0), gas(0, 7.0), device(0, "nasal_cannula", 3), reading(0, 90))
    assert carried(tables, policy)["3"] == (0, 3, 0, 0, 0, 7)
    table = choices(policy)
    adopted = table.filter("adopted").select("choice", "value").rows()
    assert adopted == [
        ("reading_carry_hours", "3"),
        ("weight", "time"),
        ("retainer_evidence", "gas or history or target"),
        ("high_fio2_above", "0.3"),
        ("fio2_estimate", "best"),
    ]
    carries = table.filter(pl.col("choice") == "reading_carry_hours").sort("place")["value"].to_list()
    assert carries == ["1", "2", "3", "4", "6", "12"]


@pytest.mark.parametrize(
    ("litres", "expected"), [(1, 0), (2, 1), (3, 2), (4, 3), (5, 3), (6, 4)], ids=["24", "28", "32", "36", "40", "44"]
)
def test_a_fraction_that_is_the_threshold_is_not_above_it(litres: int, expected: int) -> None:
    """A cannula at 1 to 6 L/min is 0.24 to 0.44 (step table of trials of sepsis scores): how many of 0.24, 0.28, 0.35
    and 0.40 it is above."""
    tables = chart(120, target(0), gas(0, 7.0), device(0, "nasal_cannula", litres), reading(0, 90))
    assert len(rows_of(threshold_episodes, tables)) == expected
