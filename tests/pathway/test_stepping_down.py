"""Oxygen lowered when above the band, and stopped when not needed, against a slow walk as well.

Source: BTS guideline for oxygen use in adults (2017), section 11: lower when stable and above; stop when stable on 2
L/min (1 L/min, or 24 % at 2 L/min, in patients at risk) and in range on two consecutive observations. Above the band
on air is no excess: BMJ Open Respir Res 2023;10:e001866. Expected values by hand, minutes from admission.
"""

from typing import Any

import pytest
from hypothesis import given, settings

from pipeline.pathway.stepping_down import oxygen_stopped, stepped_down
from tests import oracle
from tests.charts import Record, chart, device, flag, reading, target
from tests.pathway.made import Made, batch_of, made
from tests.pathway.walk import audited_minutes, states, step_of
from tests.strategies import Case, cases, policy_of

BAND = target(0)
THREE = device(0, "nasal_cannula", 3)
ABOVE = reading(60, 96)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # Above at 60, lowered at 100 (32 to 28 %).
        ([THREE, ABOVE, device(100, "nasal_cannula", 2)], [Made(60, 100, 40)]),
        # Room air; another device with a lower estimate; the same one raised is not lowered.
        ([THREE, ABOVE, device(100, "room_air")], [Made(60, 100, 40)]),
        ([THREE, ABOVE, device(100, "air_entrainment_mask", 2, 0.24)], [Made(60, 100, 40)]),
        ([THREE, ABOVE, device(90, "nasal_cannula", 4), device(100, "nasal_cannula", 3)], [Made(60, 100, 40)]),
        # 15 to 10 L/min on a reservoir mask: 95 % both, but a lower flow.
        ([device(0, "reservoir_mask", 15), ABOVE, device(100, "reservoir_mask", 10)], [Made(60, 100, 40)]),
        # A lower flow with a richer valve is no lowering.
        (
            [
                device(0, "air_entrainment_mask", 6, 0.28),
                ABOVE,
                device(90, "air_entrainment_mask", 4, 0.35),
                device(100, "room_air"),
            ],
            [Made(60, 100, 40)],
        ),
        # From a valve without its printed concentration to air: lowered, though from what is not known.
        ([device(0, "air_entrainment_mask", 4), ABOVE, device(100, "room_air")], [Made(60, 100, 40)]),
        # Lowered at the instant of the reading: at once.
        ([THREE, ABOVE, device(60, "nasal_cannula", 2)], [Made(60, 60, 0)]),
        # Back in the band at 100 before anybody did anything; lowered at that very instant.
        ([THREE, ABOVE, reading(100, 92), device(120, "room_air")], [Made(60, None, 40)]),
        ([THREE, ABOVE, reading(100, 92), device(100, "nasal_cannula", 2)], [Made(60, 100, 40)]),
        # Below, or 92: not above. 92.5 is.
        ([THREE, reading(60, 92), reading(90, 92.5), reading(100, 80)], [Made(90, None, 10)]),
        # Two readings above: from the first. Two runs: two clocks.
        ([THREE, ABOVE, reading(80, 97), device(100, "room_air")], [Made(60, 100, 40)]),
        (
            [THREE, ABOVE, reading(80, 90), reading(100, 95), device(130, "nasal_cannula", 1)],
            [Made(60, None, 20), Made(100, 130, 30)],
        ),
        # Lowered once and still above: one run, one row.
        (
            [THREE, ABOVE, device(80, "nasal_cannula", 2), device(100, "nasal_cannula", 1), reading(110, 90)],
            [Made(60, 80, 20)],
        ),
        # Nothing: the reading speaks for 6 hours, to 420. Discharge at 300 ends it before.
        ([THREE, ABOVE], [Made(60, None, 360)]),
        # The target stops at 90; another band at 90 that holds 96.
        ([THREE, target(30, until=90), ABOVE], [Made(60, None, 30)]),
        ([THREE, ABOVE, target(90, 94, 98)], [Made(60, None, 30)]),
        # A band lowered at 50 under an old reading: the clock starts with the next reading.
        ([THREE, target(1, 94, 98), reading(10, 96), target(50), ABOVE, device(90, "room_air")], [Made(60, 90, 30)]),
        ([THREE, target(1, 94, 98), reading(10, 96), target(50), device(90, "room_air")], []),
        # Excluded from 90 on ends the run; a run that starts in it is none.
        ([THREE, ABOVE, flag(90, "theatre", 200), device(210, "room_air")], [Made(60, None, 30)]),
        ([THREE, ABOVE, flag(30, "theatre", 200), device(210, "room_air")], []),
        # The device is not known from 80 on.
        ([device(0, "nasal_cannula", 3, until=80), ABOVE], [Made(60, None, 20)]),
        # On air, or device unknown: never.
        ([device(0, "room_air"), ABOVE], []),
        ([ABOVE], []),
        ([device(0, "other"), ABOVE], []),
        # A reading while a nebuliser runs starts no clock; its end is no lowering; nor does it break a run.
        ([device(0, "room_air"), device(50, "oxygen_driven_nebuliser", 8, until=70), ABOVE], []),
        (
            [THREE, device(80, "oxygen_driven_nebuliser", 8, until=90), ABOVE, device(100, "nasal_cannula", 2)],
            [Made(60, 100, 40)],
        ),
    ],
)
def test_lowered_after_a_reading_above(records: list[Record], expected: list[Made]) -> None:
    assert made(stepped_down, chart(1440, BAND, *records)) == expected


def test_discharge_ends_the_wait_undone() -> None:
    assert made(stepped_down, chart(300, BAND, THREE, ABOVE)) == [Made(60, None, 240)]


TWO = device(0, "nasal_cannula", 2)
BAND_94 = target(0, 94, 98)
GOOD, SECOND = reading(60, 95), reading(120, 95)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # Good at 60 and 120; off at 200.
        ([TWO, GOOD, SECOND, device(200, "room_air")], [Made(120, 200, 80)]),
        # Above counts as good; a flow of nought is air.
        ([TWO, GOOD, reading(120, 99), device(200, "nasal_cannula", 0)], [Made(120, 200, 80)]),
        # Off at the instant of the second reading: that reading is on air, so no two on oxygen.
        ([TWO, GOOD, SECOND, device(120, "room_air")], []),
        # Raised at 150: no longer due. Lowered at 150: still waited for.
        ([TWO, GOOD, SECOND, device(150, "nasal_cannula", 3), device(200, "room_air")], [Made(120, None, 30)]),
        ([TWO, GOOD, SECOND, device(150, "nasal_cannula", 1), device(200, "room_air")], [Made(120, 200, 80)]),
        # 1 to 2 L/min is a rise as well, though both are low: two new readings are needed.
        (
            [
                device(0, "nasal_cannula", 1),
                GOOD,
                SECOND,
                device(150, "nasal_cannula", 2),
                reading(160, 95),
                reading(180, 95),
                device(200, "room_air"),
            ],
            [Made(120, None, 30), Made(180, 200, 20)],
        ),
        # A reading below at 150; then two good ones again.
        (
            [TWO, GOOD, SECOND, reading(150, 93), reading(160, 94), reading(180, 94), device(200, "room_air")],
            [Made(120, None, 30), Made(180, 200, 20)],
        ),
        # Good, below, good: not in a row. Below at the instant oxygen stops: stopped.
        ([TWO, GOOD, reading(90, 93), SECOND, device(200, "room_air")], []),
        ([TWO, GOOD, SECOND, reading(200, 90), device(200, "room_air")], [Made(120, 200, 80)]),
        # 2.1 L/min is not low; readings before it was low do not count.
        ([device(0, "nasal_cannula", 2.1), GOOD, SECOND, device(200, "room_air")], []),
        ([device(0, "nasal_cannula", 4), GOOD, device(100, "nasal_cannula", 2), SECOND, device(200, "room_air")], []),
        # Discharged on it at 480; the device not known from 150 on.
        ([TWO, GOOD, SECOND], [Made(120, None, 360)]),
        ([device(0, "nasal_cannula", 2, until=150), GOOD, SECOND], [Made(120, None, 30)]),
        # The target stops at 150; none at the second reading.
        ([TWO, target(1, 94, 98, until=150), GOOD, SECOND, device(200, "room_air")], [Made(120, None, 30)]),
        ([TWO, target(1, 94, 98, until=100), GOOD, SECOND, device(200, "room_air")], []),
        # Excluded 150-160 ends the wait; excluded 70-80 parts the two readings.
        ([TWO, GOOD, SECOND, flag(150, "theatre", 160), device(200, "room_air")], [Made(120, None, 30)]),
        ([TWO, GOOD, SECOND, flag(150, "theatre"), device(150, "room_air")], [Made(120, None, 30)]),
        ([TWO, GOOD, flag(70, "theatre", 80), SECOND, device(200, "room_air")], []),
        # A nebuliser 130-140, and a reading during it, are passed over; so is one that ends in air.
        (
            [
                TWO,
                GOOD,
                SECOND,
                device(130, "oxygen_driven_nebuliser", 8, until=140),
                reading(135, 90),
                device(200, "room_air"),
            ],
            [Made(120, 200, 80)],
        ),
        (
            [TWO, GOOD, SECOND, device(130, "oxygen_driven_nebuliser", 8), device(140, "room_air")],
            [Made(120, 140, 20)],
        ),
        # Other devices, and a flow not recorded, are never lowest.
        ([device(0, "nasal_cannula"), GOOD, SECOND, device(200, "room_air")], []),
        ([device(0, "simple_mask", 2), GOOD, SECOND, device(200, "room_air")], []),
        ([device(0, "air_entrainment_mask", 2, 0.24), GOOD, SECOND, device(200, "room_air")], []),
        # Still on it where evidence of retention comes at 150: 2 L/min is then no longer the lowest.
        ([TWO, GOOD, SECOND, flag(150, "oxygen_alert"), device(200, "room_air")], [Made(120, None, 30)]),
    ],
)
def test_stopped_after_two_good_readings(records: list[Record], expected: list[Made]) -> None:
    assert made(oxygen_stopped, chart(480, BAND_94, *records)) == expected


@pytest.mark.parametrize(
    ("lowest", "is_due"),
    [
        (device(0, "nasal_cannula", 1), True),
        (device(0, "nasal_cannula", 1.1), False),
        (device(0, "air_entrainment_mask", 2, 0.24), True),
        (device(0, "air_entrainment_mask", 2.5, 0.24), False),
        (device(0, "air_entrainment_mask", None, 0.24), False),
        (device(0, "air_entrainment_mask", 2, 0.28), False),
    ],
)
def test_the_lowest_oxygen_of_a_patient_at_risk(lowest: Record, is_due: bool) -> None:
    tables = chart(480, BAND, lowest, reading(60, 90), reading(120, 90), device(200, "room_air"))
    assert made(oxygen_stopped, tables) == ([Made(120, 200, 80)] if is_due else [])


# --- the slow walk ------------------------------------------------------------------------------------------------


def walked(case: Case) -> list[tuple[Any, ...]]:
    """The runs above the band, each stay walked through instant by instant."""
    found: list[tuple[Any, ...]] = []
    for stay in case.tables["stays"]:
        seen = states(case, stay)
        taken = {row["taken_at"] for row in oracle.of_stay(case.tables, "readings", stay)}
        start = done = plain = None
        for at, now in seen:
            lowered = now["device"] != "oxygen_driven_nebuliser" and plain is not None and is_less(plain, now)
            if start is not None and done is None and lowered:
                done = at
            above = now["band_state"] == "above_on_oxygen"
            if above and start is None and at in taken and now["device"] != "oxygen_driven_nebuliser":
                start, done = at, at if lowered else None
            if not above and start is not None:
                found.append((stay["stay_id"], start, done, audited_minutes(case, seen, start, done or at)))
                start = done = None
            if now["device"] != "oxygen_driven_nebuliser":
                plain = now
        if start is not None:
            end = seen[-1][0] + step_of(case)
            found.append((stay["stay_id"], start, done, audited_minutes(case, seen, start, done or end)))
    return sorted(found, key=str)


def is_less(before: dict[str, Any], now: dict[str, Any]) -> bool:
    """A lower fraction, a lower flow of one device without a higher fraction, or no more oxygen."""
    known = before["fio2"] is not None and now["fio2"] is not None
    if before["on_oxygen"] and now["on_oxygen"] is False:
        return True
    if known and now["fio2"] != before["fio2"]:
        return bool(now["fio2"] < before["fio2"])
    flows = before["flow_l_min"], now["flow_l_min"]
    return now["device"] is not None and before["device"] == now["device"] and None not in flows and flows[1] < flows[0]


@settings(max_examples=50, deadline=None)
@given(cases(grids=(300, 900)))
def test_the_slow_walk_finds_the_same_runs(case: Case) -> None:
    policy = policy_of(case.thresholds)
    batch = batch_of(case.tables, policy, case.as_of, case.zone)
    columns = ("stay_id", "started_at", "done_at", "minutes")
    assert sorted(stepped_down(batch, policy).select(columns).rows(), key=str) == walked(case)
