"""Runs above the band on oxygen, on stays worked out by hand; minutes count from the admission."""

from datetime import datetime
from typing import Any

import pytest

from pipeline.events.excess import EXCESS_COLUMNS, excess_runs
from tests.charts import Record, chart, device, flag, gas, reading, target, together, ward
from tests.events.batches import only, rows_of

SIX_HOURS = 360
CANNULA = device(0, "nasal_cannula", flow=2)
BAND = target(0, 88, 92)


def runs(minutes: int, *records: Record, **others: Any) -> list[dict[str, Any]]:
    return rows_of(excess_runs, chart(minutes, *records, **others))


def test_every_column_of_a_run_between_two_gases() -> None:
    row = only(
        runs(
            600,
            ward(0, "Ash"),
            BAND,
            CANNULA,
            gas(30, 6.5, 7.36),
            reading(60, 96),
            reading(120, 94),
            device(150, "nasal_cannula", flow=1),
            reading(180, 90),
            gas(200, 7.5, 7.31),
        )
    )
    # 60-120 4 points above at 2 L/min, 120-150 2 points at 2 L/min, 150-180 2 points at 1 L/min: two hours;
    # 4 x 1 + 2 x 1 = 6 percent-hours; 120 + 60 + 30 = 210 litres. pH 7.31 and pCO2 7.5: acidosis.
    assert row == {
        "stay_id": "s",
        "ward": "Ash",
        "month": "2026-01",
        "started_at": 60,
        "ended_at": 180,
        "above_s": 7200,
        "percent_hours": 6,
        "highest_above_points": 4,
        "upper_percent": 92,
        "device": "nasal_cannula",
        "litres": 210,
        "litres_unknown_s": 0,
        "retainer": "gas",
        "retainer_ever": "gas",
        "gas_before_at": 30,
        "gas_before_pco2_kpa": 6.5,
        "gas_before_ph": 7.36,
        "gas_after_at": 200,
        "gas_after_pco2_kpa": 7.5,
        "gas_after_ph": 7.31,
        "pco2_change_kpa": 1.0,
        "ph_change": -0.05,
        "acidosis_after": True,
    }
    assert tuple(row) == EXCESS_COLUMNS


def test_a_reading_on_the_upper_limit_is_not_above_it_and_a_tenth_more_is() -> None:
    assert runs(60, BAND, CANNULA, reading(0, 92)) == []
    row = only(runs(60, BAND, CANNULA, reading(0, 92.1)))
    assert row["highest_above_points"] == pytest.approx(0.1)


def test_above_the_band_on_air_or_with_an_unknown_device_is_no_excess() -> None:
    """Above 93 % on air scores 0 (Royal College of Physicians, NEWS2, 2017, scale 2)."""
    assert runs(60, BAND, device(0, "room_air"), reading(0, 99)) == []
    assert runs(60, BAND, reading(0, 99)) == []
    assert runs(60, BAND, device(0, "cpap"), reading(0, 99)) == []


def test_ward_month_device_limit_and_evidence_change_within_one_run() -> None:
    # Midnight of 1 February is minute 60. From 120 on the upper limit is 94 and 98 % lies 4 points above, not 6.
    row = only(
        runs(
            240,
            ward(0, "Ash"),
            BAND,
            CANNULA,
            reading(0, 98),
            ward(30, "Birch"),
            device(90, "simple_mask", flow=5),
            target(120, 90, 94),
            gas(150, 7.0),
            admitted=datetime(2026, 1, 31, 23),
        )
    )
    assert (row["above_s"], row["ward"], row["month"], row["device"]) == (4 * 3600, "Ash", "2026-01", "nasal_cannula")
    assert (row["upper_percent"], row["highest_above_points"]) == (92, 6)
    # 6 points for two hours, 4 for two: 20. 2 L/min for 90 minutes, 5 for 150: 180 + 750.
    assert (row["percent_hours"], row["litres"]) == (20, 930)
    assert (row["retainer"], row["retainer_ever"]) == ("target", "gas")


@pytest.mark.parametrize(
    "between",
    [
        [reading(60, 92), reading(61, 95)],
        [reading(60, 80), reading(61, 95)],
        [device(60, "room_air"), device(61, "nasal_cannula", flow=2)],
        [flag(60, "theatre", until=61)],
        [target(0, until=60), target(61)],
    ],
    ids=["within", "below", "air", "excluded", "no target"],
)
def test_a_minute_of_anything_else_parts_two_runs(between: list[Record]) -> None:
    records = [CANNULA, reading(0, 95), *between]
    if not any(record[0] == "targets" for record in between):
        records.append(BAND)
    assert [(r["started_at"], r["ended_at"]) for r in runs(120, *records)] == [(0, 60), (61, 120)]


def test_a_run_ends_where_its_reading_runs_out_and_a_new_one_begins_with_the_next_reading() -> None:
    rows = runs(900, BAND, CANNULA, reading(0, 95), reading(SIX_HOURS + 1, 95))
    assert [(r["started_at"], r["ended_at"]) for r in rows] == [(0, 360), (361, 721)]
    # At the instant at which the first runs out, it is one run.
    rows = runs(900, BAND, CANNULA, reading(0, 95), reading(SIX_HOURS, 95))
    assert [(r["started_at"], r["ended_at"]) for r in rows] == [(0, 720)]


def test_litres_are_of_the_time_whose_flow_is_known() -> None:
    # 2 L/min for an hour; a valve without a charted flow for half an hour, 6 L/min for ten minutes: 120 + 60.
    row = only(
        runs(
            100,
            BAND,
            reading(0, 95),
            CANNULA,
            device(60, "air_entrainment_mask", fio2=0.28),
            device(90, "simple_mask", flow=6),
        )
    )
    assert (row["litres"], row["litres_unknown_s"]) == (180, 1800)
    unknown = only(runs(60, BAND, reading(0, 95), device(0, "cpap", fio2=0.4)))
    assert (unknown["litres"], unknown["litres_unknown_s"]) == (None, 3600)


def test_on_high_flow_oxygen_only_the_oxygen_part_of_the_mixed_gas_counts() -> None:
    """Oxygen flow = total x (F - a) / (1 - a), a = 0.209: 50 x 0.391 / 0.791 = 24.716 L/min at 60 %.

    The box rule of textbooks, total x (F - 21) / 79, gives 24.7.
    """
    row = only(runs(60, BAND, reading(0, 95), device(0, "high_flow_nasal", flow=50, fio2=0.60)))
    assert row["litres"] == pytest.approx(60 * 24.716, abs=0.05)
    unknown = only(runs(60, BAND, reading(0, 95), device(0, "high_flow_nasal", flow=50)))
    assert (unknown["litres"], unknown["litres_unknown_s"]) == (None, 3600)
    # Bled into a ventilator, the charted flow is of oxygen.
    bled_in = only(runs(60, BAND, reading(0, 95), device(0, "bilevel_niv", flow=4)))
    assert bled_in["litres"] == 240


def above_from(start: int, until: int, *gases: Record) -> dict[str, Any]:
    return only(runs(2000, BAND, device(0, "nasal_cannula", flow=2), reading(start, 95), reading(until, 90), *gases))


@pytest.mark.parametrize(("late", "found"), [(0, True), (1, False)])
def test_gases_count_up_to_the_hours_before_the_start_and_after_the_end(late: int, found: bool) -> None:
    early = above_from(400, 500, gas(400 - SIX_HOURS - late, 6.0))
    assert (early["gas_before_at"] is not None) is found
    after = above_from(400, 500, gas(500 + SIX_HOURS + late, 6.0))
    assert (after["gas_after_at"] is not None) is found


def test_a_gas_at_the_start_is_before_and_one_in_the_run_is_after() -> None:
    row = above_from(100, 200, gas(100, 6.0), gas(101, 7.0), gas(250, 9.0))
    assert (row["gas_before_at"], row["gas_after_at"], row["pco2_change_kpa"]) == (100, 101, 1.0)
    # Only one gas, at the start: nothing to compare with.
    row = above_from(100, 200, gas(100, 6.0))
    assert (row["gas_after_at"], row["pco2_change_kpa"], row["acidosis_after"]) == (None, None, None)


@pytest.mark.parametrize(
    ("pco2", "ph", "acidosis"),
    [
        (6.01, 7.349, True),
        (6.0, 7.2, False),
        (9.0, 7.35, False),
        (9.0, None, None),
        (None, 7.2, None),
        (None, 7.4, False),
    ],
)
def test_acidosis_needs_both_and_a_value_on_the_threshold_is_none(
    pco2: float | None, ph: float | None, acidosis: bool | None
) -> None:
    """Type 2 failure: above 6.0 kPa; acidosis: pH below 7.35 (British Thoracic Society, 2016 and 2017)."""
    assert above_from(100, 200, gas(150, pco2, ph))["acidosis_after"] is acidosis


def test_venous_gases_and_those_of_excluded_time_are_passed_over() -> None:
    theatre = flag(210, "theatre", until=240)
    row = above_from(
        100, 200, theatre, gas(150, 9.0, 7.1, sample_type="venous"), gas(220, 9.0, 7.1), gas(240, 6.5, 7.4)
    )
    assert (row["gas_after_at"], row["acidosis_after"]) == (240, False)


def test_runs_of_two_stays_that_touch_are_two() -> None:
    stays = [
        chart(60, BAND, CANNULA, reading(0, 95), stay_id="a"),
        chart(60, BAND, CANNULA, reading(0, 95), stay_id="b", admitted=datetime(2026, 1, 10, 1)),
    ]
    rows = rows_of(excess_runs, together(stays))
    assert [(r["stay_id"], r["started_at"], r["ended_at"]) for r in rows] == [("a", 0, 60), ("b", 60, 120)]
