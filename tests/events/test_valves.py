"""Time on air-entrainment valves, on stays worked out by hand; minutes count from the admission."""

from datetime import datetime
from typing import Any

import pytest

from pipeline.events.valves import VALVE_COLUMNS, valve_stretches
from tests.charts import Record, chart, device, flag, reading, target, together, ward
from tests.events.batches import only, rows_of


def stretches(minutes: int, *records: Record, **others: Any) -> list[dict[str, Any]]:
    return rows_of(valve_stretches, chart(minutes, *records, **others))


def valve(at: int, flow: float | None, printed: float | None, until: int | None = None) -> Record:
    return device(at, "air_entrainment_mask", flow=flow, fio2=printed, until=until)


def test_every_column_of_a_valve_as_in_the_published_example() -> None:
    """28 % at 4 L/min gives 44 L/min, enough for a demand of 30 L/min: teaching note, with the ratio 10 : 1.

    With 20.9 % oxygen in air: 4 x (1 - 0.209) / (0.28 - 0.209) = 3.164 / 0.071 = 44.56. A rate of 15: 2 x 15 = 30.
    """
    row = only(stretches(60, ward(0, "Ash"), target(0), reading(0, 90, rate=15), valve(0, 4, 0.28)))
    assert row.pop("total_flow_l_min") == pytest.approx(44.56, abs=0.005)
    assert row == {
        "stay_id": "s",
        "ward": "Ash",
        "month": "2026-01",
        "started_at": 0,
        "seconds": 3600,
        "printed_fraction": 0.28,
        "flow_l_min": 4,
        "setup": "as_printed",
        "respiratory_rate": 15,
        "peak_flow_l_min": 30,
        "meets_demand": True,
        "retainer": "target",
    }


def test_the_columns_come_in_the_order_of_the_table() -> None:
    assert tuple(only(stretches(60, valve(0, 4, 0.28)))) == VALVE_COLUMNS


@pytest.mark.parametrize(
    ("printed", "flow", "published"),
    [(0.24, 2, 51), (0.28, 4, 44), (0.31, 6, 47), (0.35, 8, 45), (0.40, 10, 41), (0.60, 15, 30), (0.28, 6, 67)],
)
def test_total_flows_are_those_of_the_published_table(printed: float, flow: float, published: float) -> None:
    """British Thoracic Society guideline (2008) table 10 and (2017) section 10, from memory; to within 1.5 L/min."""
    row = only(stretches(60, valve(0, flow, printed)))
    assert row["total_flow_l_min"] == pytest.approx(published, abs=1.5)


def test_a_fast_breather_needs_the_flow_raised_by_half() -> None:
    """Jones, Lancet 1984: above 30 breaths a minute raise the oxygen flow by 50 %.

    At 31 breaths a minute the peak is 62 L/min: 44.6 (28 % at 4) is too little, 66.8 (at 6) is enough.
    """
    usual, raised = stretches(120, reading(0, 90, rate=31), valve(0, 4, 0.28), valve(60, 6, 0.28))
    assert (usual["setup"], usual["meets_demand"]) == ("as_printed", False)
    assert (raised["setup"], raised["meets_demand"]) == ("as_printed", True)


def test_a_60_percent_valve_is_enough_at_rest_only() -> None:
    # 15 x 0.791 / 0.391 = 30.35 L/min: enough for 30 (no rate, or 15 breaths), not for 32 (16 breaths).
    assert only(stretches(60, valve(0, 15, 0.60)))["meets_demand"] is True
    assert only(stretches(60, valve(0, 15, 0.60), reading(0, 90, rate=15)))["meets_demand"] is True
    assert only(stretches(60, valve(0, 15, 0.60), reading(0, 90, rate=16)))["meets_demand"] is False


@pytest.mark.parametrize(
    ("flow", "printed", "setup"),
    [
        (3.9, 0.28, "below_printed"),
        (10, 0.24, "doubtful"),
        (4, 0.33, "doubtful"),
        (4, None, "unknown"),
        (None, 0.28, "unknown"),
    ],
)
def test_flow_and_demand_of_a_valve_not_set_up_as_printed_are_not_told(
    flow: float | None, printed: float | None, setup: str
) -> None:
    row = only(stretches(60, valve(0, flow, printed), reading(0, 90, rate=20)))
    assert (row["setup"], row["printed_fraction"], row["flow_l_min"]) == (setup, printed, flow)
    assert (row["total_flow_l_min"], row["meets_demand"]) == (None, None)
    assert (row["respiratory_rate"], row["peak_flow_l_min"]) == (20, 40)


def test_other_devices_and_excluded_time_are_left_out() -> None:
    rows = stretches(
        300,
        device(0, "nasal_cannula", flow=2),
        valve(60, 4, 0.28),
        flag(90, "theatre", until=120),
        device(150, "reservoir_mask", flow=15),
    )
    assert [(r["started_at"], r["seconds"]) for r in rows] == [(60, 1800), (120, 1800)]
    assert stretches(300, device(0, "nasal_cannula", flow=2), reading(0, 90, rate=20)) == []


def test_a_stretch_is_cut_where_the_charted_rate_changes_and_not_where_it_is_charted_again() -> None:
    # 16 until 20, 24 until 50 (charted again at 40), 16 until the end at 60; a reading without a rate changes nothing.
    rows = stretches(
        60,
        valve(0, 4, 0.28),
        reading(0, 90, rate=16),
        reading(20, 90, rate=24),
        reading(30, 91),
        reading(40, 91, rate=24),
        reading(50, 91, rate=16),
    )
    assert [(r["started_at"], r["seconds"] // 60, r["respiratory_rate"], r["meets_demand"]) for r in rows] == [
        (0, 20, 16, True),
        (20, 30, 24, False),
        (50, 10, 16, True),
    ]


def test_a_rate_speaks_as_long_as_a_reading_and_before_the_valve_came() -> None:
    # 20 from minute 0, on cannula; it runs out at 360, the valve is there from 300 to 400.
    rows = stretches(500, device(0, "nasal_cannula", flow=2), reading(0, 90, rate=20), valve(300, 4, 0.28, until=400))
    assert [(r["started_at"], r["seconds"] // 60, r["respiratory_rate"]) for r in rows] == [
        (300, 60, 20),
        (360, 40, None),
    ]


def test_a_rate_charted_at_the_very_edge_of_a_stretch_cuts_nothing() -> None:
    rows = stretches(200, valve(60, 4, 0.28, until=120), reading(60, 90, rate=18), reading(120, 90, rate=30))
    assert [(r["started_at"], r["seconds"] // 60, r["respiratory_rate"]) for r in rows] == [(60, 60, 18)]


def test_ward_month_and_evidence_are_those_of_each_stretch() -> None:
    # Midnight of 1 February is minute 60.
    rows = stretches(
        180, ward(0, "Ash"), ward(120, "Birch"), target(90), valve(0, 4, 0.28), admitted=datetime(2026, 1, 31, 23)
    )
    assert [(r["ward"], r["month"], r["retainer"], r["seconds"] // 60) for r in rows] == [
        ("Ash", "2026-01", None, 60),
        ("Ash", "2026-02", None, 30),
        ("Ash", "2026-02", "target", 30),
        ("Birch", "2026-02", "target", 60),
    ]


def test_a_rate_is_not_carried_into_the_next_stay() -> None:
    stays = [
        chart(60, valve(0, 4, 0.28), reading(30, 90, rate=30), stay_id="a"),
        chart(60, valve(0, 4, 0.28), stay_id="b", admitted=datetime(2026, 1, 10, 1)),
    ]
    rows = rows_of(valve_stretches, together(stays))
    assert [(r["stay_id"], r["seconds"] // 60, r["respiratory_rate"]) for r in rows] == [
        ("a", 30, None),
        ("a", 30, 30),
        ("b", 60, None),
    ]
