"""A gas after oxygen was started or raised, against a slow walk through the same charts as well.

Source: BTS guideline for oxygen use in adults (2017), summary table 4: gases again after 30-60 minutes in patients at
risk. Expected values by hand, minutes from admission.
"""

from datetime import datetime
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings

from pipeline.pathway.gases_after import gas_after_more_oxygen
from tests import oracle
from tests.charts import Record, chart, device, flag, gas, target, together
from tests.pathway.made import Made, batch_of, made, rows
from tests.pathway.walk import State, states, step_of
from tests.strategies import Case, cases, policy_of

AT_RISK = flag(0, "oxygen_alert")
AIR = device(0, "room_air")
RAISED = device(60, "nasal_cannula", 2)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # From air to 28 % at 60; gas at 100.
        ([AIR, RAISED, gas(100)], [Made(60, 100, 40, True)]),
        # The limit is 60 minutes: met exactly, missed by one.
        ([AIR, RAISED, gas(120)], [Made(60, 120, 60, True)]),
        ([AIR, RAISED, gas(121)], [Made(60, 121, 61, False)]),
        # A gas at the very instant was taken before the change could show.
        ([AIR, RAISED, gas(60), gas(90)], [Made(60, 90, 30, True)]),
        # Venous does not count, capillary does.
        ([AIR, RAISED, gas(70, sample_type="venous"), gas(90, sample_type="capillary")], [Made(60, 90, 30, True)]),
        # Never, until 480.
        ([AIR, RAISED], [Made(60, None, 420, False)]),
        # Two rises, one gas for both: 50 and 20 minutes.
        ([AIR, RAISED, device(90, "nasal_cannula", 4), gas(110)], [Made(60, 110, 50, True), Made(90, 110, 20, True)]),
        # Back to air at 100, before the limit: no longer due after 40 minutes.
        ([AIR, RAISED, device(100, "room_air")], [Made(60, None, 40, None)]),
        # Back at 120, the limit is up: it was due, and is waited for to the end.
        ([AIR, RAISED, device(120, "room_air")], [Made(60, None, 420, False)]),
        # A mask without flow is no oxygen, though no fraction can be said.
        ([AIR, RAISED, device(100, "simple_mask", 0)], [Made(60, None, 40, None)]),
        # Back on air only while excluded, 70-100: still due, 10 + 10 minutes at 110.
        (
            [
                AIR,
                RAISED,
                flag(70, "theatre", 100),
                device(80, "room_air"),
                device(100, "nasal_cannula", 2),
                gas(110),
            ],
            [Made(60, 110, 20, True)],
        ),
        # The gas came first.
        ([AIR, RAISED, gas(90), device(100, "room_air")], [Made(60, 90, 30, True)]),
        # At one instant: the gas was taken.
        ([AIR, RAISED, gas(100), device(100, "room_air")], [Made(60, 100, 40, True)]),
        # 24 to 60 to 35 %: still more than before, still due. Then 24 %: back.
        (
            [
                device(0, "air_entrainment_mask", 2, 0.24),
                device(60, "air_entrainment_mask", 15, 0.6),
                device(80, "air_entrainment_mask", 8, 0.35),
                gas(110),
            ],
            [Made(60, 110, 50, True)],
        ),
        (
            [
                device(0, "air_entrainment_mask", 2, 0.24),
                device(60, "air_entrainment_mask", 15, 0.6),
                device(80, "air_entrainment_mask", 2, 0.24),
                gas(110),
            ],
            [Made(60, None, 20, None)],
        ),
        # A nebuliser over 2 L/min starts and ends: no rise. Changed under it: a rise when the cannula shows.
        ([AIR, RAISED, device(200, "oxygen_driven_nebuliser", 8, until=210), gas(90)], [Made(60, 90, 30, True)]),
        (
            [
                device(0, "nasal_cannula", 2),
                device(100, "oxygen_driven_nebuliser", 8),
                device(110, "nasal_cannula", 4),
                gas(140),
            ],
            [Made(110, 140, 30, True)],
        ),
        # Nothing known before, or after: no rise that can be said. Flow 6 to 7 on a cannula is 44 % both.
        ([RAISED, gas(90)], []),
        ([AIR, device(60, "air_entrainment_mask", 4), gas(90)], []),
        ([device(0, "nasal_cannula", 6), device(60, "nasal_cannula", 7)], []),
        ([device(0, "nasal_cannula", 4), device(60, "nasal_cannula", 2)], []),
        # Changed in excluded time, or found changed at its end: no clock starts.
        ([AIR, RAISED, flag(60, "theatre", 90)], []),
        ([AIR, RAISED, flag(30, "theatre", 60)], []),
        # Excluded 70-130: 10 minutes before, a gas in it was taken; else 10 + 50 minutes at 180.
        ([AIR, RAISED, flag(70, "theatre", 130), gas(100)], [Made(60, 100, 10, True)]),
        ([AIR, RAISED, flag(70, "theatre", 130), gas(180)], [Made(60, 180, 60, True)]),
        ([AIR, RAISED, flag(70, "theatre", 130), gas(181)], [Made(60, 181, 61, False)]),
    ],
)
def test_gas_after_each_rise(records: list[Record], expected: list[Made]) -> None:
    assert made(gas_after_more_oxygen, chart(480, AT_RISK, *records)) == expected


def test_discharge_while_waiting_cannot_be_told_unless_the_time_was_up() -> None:
    assert made(gas_after_more_oxygen, chart(120, AT_RISK, AIR, RAISED)) == [Made(60, None, 60, None)]
    assert made(gas_after_more_oxygen, chart(121, AT_RISK, AIR, RAISED)) == [Made(60, None, 61, False)]


def test_a_gas_at_the_instant_of_discharge_is_after_the_stay() -> None:
    assert made(gas_after_more_oxygen, chart(100, AT_RISK, AIR, RAISED, gas(100))) == [Made(60, None, 40, None)]


def test_the_stay_before_in_the_batch_is_nothing_to_compare_with() -> None:
    # One stay on air to its end, then another patient's that begins on 28 %: nothing is known before it.
    other = chart(480, AT_RISK, device(0, "nasal_cannula", 2), stay_id="t", patient_key="q")
    assert made(gas_after_more_oxygen, together([chart(480, AT_RISK, AIR), other])) == []


@pytest.mark.parametrize(
    ("evidence", "retainer"),
    [
        (flag(60, "home_ventilation"), "history"),
        (gas(60, 6.1), "gas"),
        (target(60), "target"),
        (flag(61, "home_ventilation"), "none due"),
        (flag(0, "copd"), "none due"),
        (target(0, 94, 98), "none due"),
    ],
)
def test_it_is_due_on_the_evidence_of_that_instant(evidence: Record, retainer: str) -> None:
    found = rows(gas_after_more_oxygen, chart(480, evidence, AIR, RAISED))
    assert [row["retainer"] for row in found] == ([] if retainer == "none due" else [retainer])


# --- the slow walk ------------------------------------------------------------------------------------------------


def walked(case: Case) -> list[tuple[Any, ...]]:
    """Each stay walked through instant by instant, as a reader of the chart would."""
    limit = policy_of(case.thresholds).gas_after_change_minutes
    found: list[tuple[Any, ...]] = []
    for stay in case.tables["stays"]:
        seen = states(case, stay)
        plain = [(at, now) for at, now in seen if now["device"] != "oxygen_driven_nebuliser"]
        gases = {
            row["taken_at"] for row in oracle.of_stay(case.tables, "gases", stay) if row["sample_type"] != "venous"
        }
        for (_, before), (at, now) in pairwise(plain):
            known = before["fio2"] is not None and now["fio2"] is not None
            if before["excluded"] or now["excluded"] or not now["retainer"] or not known:
                continue
            if now["fio2"] > before["fio2"]:
                later = [(then, state) for then, state in seen if then > at]
                found.append((stay["stay_id"], at, *waited(case, at, later, gases, before["fio2"], limit)))
    return sorted(found, key=str)


def waited(
    case: Case, at: datetime, later: list[tuple[datetime, State]], gases: set[datetime], before: float, limit: float
) -> tuple[datetime | None, float, bool | None]:
    """When the gas came, after how many audited minutes, and whether in time."""
    step = step_of(case).total_seconds() / 60
    minutes = step
    for then, now in later:
        if then in gases:
            return then, minutes, minutes <= limit
        is_plain = not now["excluded"] and now["device"] != "oxygen_driven_nebuliser"
        is_back = now["on_oxygen"] is False or (now["fio2"] is not None and now["fio2"] <= before)
        if is_plain and is_back and minutes < limit:
            return None, minutes, None
        minutes += 0 if now["excluded"] else step
    return None, minutes, False if minutes > limit else None


@settings(max_examples=50, deadline=None)
@given(cases(grids=(300, 900)))
def test_the_slow_walk_finds_the_same(case: Case) -> None:
    policy = policy_of(case.thresholds)
    batch = batch_of(case.tables, policy, case.as_of, case.zone)
    columns = ("stay_id", "started_at", "done_at", "minutes", "in_time")
    assert sorted(gas_after_more_oxygen(batch, policy).select(columns).rows(), key=str) == walked(case)
