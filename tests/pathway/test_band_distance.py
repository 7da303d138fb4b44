"""Readings by their distance from the band, in the steps of the national audits.

Source: BTS national audits (2014), below and above by 1, by 2 and by more than 2 points. Expected values by hand.
"""

from typing import Any

import pytest

from pipeline.measure import derive, insert
from tests.charts import Record, Tables, chart, device, flag, reading, target, together, ward
from tests.pathway.made import batch_of
from tests.stores import empty_store

STEPS = ("below_by_1", "below_by_2", "below_by_more")
STEPS_ABOVE = ("above_on_oxygen_by_1", "above_on_oxygen_by_2", "above_on_oxygen_by_more")
ON_OXYGEN = device(0, "nasal_cannula", 2)


def distances(tables: Tables) -> list[dict[str, Any]]:
    batch = batch_of(tables)
    with empty_store() as connection:
        insert(connection, "conditions", batch.timeline.conditions)
        insert(connection, "spans", batch.timeline.spans)
        derive(connection, "band_distance")
        return connection.sql("select * from band_distance").pl().to_dicts()


@pytest.mark.parametrize(
    ("spo2", "column"),
    [
        (92, None),
        (88, None),
        (87.9, "below_by_1"),
        (87, "below_by_1"),
        (86.9, "below_by_2"),
        (86, "below_by_2"),
        (85.9, "below_by_more"),
        (70, "below_by_more"),
        (92.1, "above_on_oxygen_by_1"),
        (93, "above_on_oxygen_by_1"),
        (93.1, "above_on_oxygen_by_2"),
        (94, "above_on_oxygen_by_2"),
        (94.1, "above_on_oxygen_by_more"),
        (100, "above_on_oxygen_by_more"),
    ],
)
def test_each_step_under_88_to_92(spo2: float, column: str | None) -> None:
    (row,) = distances(chart(480, target(0), ON_OXYGEN, reading(10, spo2)))
    assert row["readings"] == 1
    assert {name for name in (*STEPS, *STEPS_ABOVE) if row[name]} == ({column} if column else set())


@pytest.mark.parametrize("records", [[device(0, "room_air")], []])
def test_above_counts_on_oxygen_only_and_below_on_air_as_well(records: list[Record]) -> None:
    (row,) = distances(chart(480, target(0), *records, reading(10, 99), reading(20, 80)))
    assert (row["readings"], row["below_by_more"]) == (2, 1)
    assert not any(row[name] for name in STEPS_ABOVE)


def test_only_readings_taken_under_a_target_outside_excluded_time_count_each_once() -> None:
    # 80 % at 10 without a target, at 40 in theatre; at 60 it counts, once, though the device changes at 70.
    records = [target(30), flag(35, "theatre", 50), device(70, "nasal_cannula", 1)]
    rows = distances(chart(480, ON_OXYGEN, *records, reading(10, 80), reading(40, 80), reading(60, 80)))
    assert [(row["readings"], row["below_by_more"]) for row in rows] == [(1, 1)]
    assert distances(chart(480, ON_OXYGEN, reading(10, 80))) == []


def test_one_row_a_stay_and_ward() -> None:
    records = [target(0), ON_OXYGEN, ward(20, "Ash"), reading(10, 80), reading(20, 94), reading(30, 95)]
    rows = distances(together([chart(480, *records), chart(480, target(0, 94, 98), reading(10, 93), stay_id="t")]))
    found = [
        (row["stay_id"], row["ward"], row["readings"], *(row[name] for name in (*STEPS, *STEPS_ABOVE))) for row in rows
    ]
    assert sorted(found, key=str) == [
        ("s", "Ash", 2, 0, 0, 0, 0, 1, 1),
        ("s", None, 1, 0, 0, 1, 0, 0, 0),
        ("t", None, 1, 1, 0, 0, 0, 0, 0),
    ]
