"""Changes of oxygen with the gases around them, on stays worked out by hand; minutes count from the admission."""

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest

from pipeline.events.oxygen_changes import CHANGE_COLUMNS, oxygen_changes
from tests.charts import Record, chart, device, flag, gas, reading, target, together, ward
from tests.events.batches import POLICY, only, rows_of

SIX_HOURS = 360


def changes(minutes: int, *records: Record) -> list[dict[str, Any]]:
    return rows_of(oxygen_changes, chart(minutes, *records))


def cannula(at: int, flow: float, until: int | None = None) -> Record:
    """0.20 + 0.04 x flow: 0.24 at 1, 0.28 at 2, 0.36 at 4 L/min."""
    return device(at, "nasal_cannula", flow=flow, until=until)


def test_every_column_of_a_rise_with_a_gas_on_both_sides() -> None:
    row = only(
        changes(
            600,
            ward(0, "Ash"),
            target(0, 88, 92),
            cannula(0, 1),
            gas(30, 6.0, 7.38),
            reading(50, 86),
            device(60, "air_entrainment_mask", flow=8, fio2=0.35),
            gas(105, 7.5, 7.31),
        )
    )
    # 7.5 - 6.0 = 1.5 kPa; 7.31 - 7.38 = -0.07; the gas 45 minutes after. At minute 60 retention was not yet proved
    # (6.0 is not above 6.0): the 88-92 % target is the evidence; the gas of minute 105 (7.5) is that of the stay.
    assert row == {
        "stay_id": "s",
        "ward": "Ash",
        "month": "2026-01",
        "changed_at": 60,
        "next_change_at": None,
        "direction": "more",
        "device_before": "nasal_cannula",
        "device_after": "air_entrainment_mask",
        "fio2_before": 0.24,
        "fio2_after": 0.35,
        "spo2_percent": 86,
        "retainer": "target",
        "retainer_ever": "gas",
        "gas_before_at": 30,
        "gas_before_pco2_kpa": 6.0,
        "gas_before_ph": 7.38,
        "gas_after_at": 105,
        "gas_after_pco2_kpa": 7.5,
        "gas_after_ph": 7.31,
        "gas_after_minutes": 45,
        "pco2_change_kpa": 1.5,
        "ph_change": -0.07,
    }
    assert tuple(row) == CHANGE_COLUMNS


def test_up_and_down_again_are_two_changes_and_each_ends_where_the_next_begins() -> None:
    rows = changes(600, cannula(0, 2), cannula(60, 4), cannula(120, 2))
    assert [(r["changed_at"], r["next_change_at"], r["direction"]) for r in rows] == [
        (60, 120, "more"),
        (120, None, "less"),
    ]


def test_another_device_flow_ward_month_target_or_evidence_with_the_same_fraction_is_no_change() -> None:
    # 0.28 by cannula and by valve; two records of the valve; a move, a new target, a gas; and the month ends.
    tables = chart(
        600,
        ward(0, "Ash"),
        cannula(0, 2),
        device(60, "air_entrainment_mask", flow=4, fio2=0.28),
        device(90, "air_entrainment_mask", flow=6, fio2=0.28),
        ward(120, "Birch"),
        target(150),
        gas(180, 7.0, 7.3),
        admitted=datetime(2026, 1, 31, 20),
    )
    assert rows_of(oxygen_changes, tables) == []


def test_the_device_before_is_the_one_just_before() -> None:
    # 0.28 by cannula, then by valve, then 0.36 by cannula.
    tables = [cannula(0, 2), device(60, "air_entrainment_mask", flow=4, fio2=0.28), cannula(90, 4)]
    row = only(changes(600, *tables))
    assert (row["changed_at"], row["device_before"], row["device_after"]) == (
        90,
        "air_entrainment_mask",
        "nasal_cannula",
    )


def test_an_unknown_fraction_between_two_known_ones_hides_when_oxygen_changed() -> None:
    # The cannula ends at 60 and nothing is charted until 70: neither the end nor the start is a change.
    assert changes(600, cannula(0, 2, until=60), cannula(70, 4)) == []
    # A valve without its concentration is as unknown as nothing; a touching record is a change.
    assert changes(600, cannula(0, 2), device(60, "air_entrainment_mask", flow=4), cannula(70, 4)) == []
    assert len(changes(600, cannula(0, 2, until=60), cannula(60, 4))) == 1


def test_a_change_in_or_at_the_edge_of_excluded_time_is_none() -> None:
    theatre = flag(60, "theatre", until=120)
    # At its start, inside, and at its end: one of both sides lies in it each time.
    assert changes(600, cannula(0, 2), theatre, cannula(60, 4)) == []
    assert changes(600, cannula(0, 2), theatre, cannula(90, 4)) == []
    assert changes(600, cannula(0, 2), theatre, cannula(120, 4)) == []
    assert [r["changed_at"] for r in changes(600, cannula(0, 2), theatre, cannula(121, 4))] == [121]


@pytest.mark.parametrize(
    "what", [[flag(100, "theatre", until=110)], [cannula(60, 4, until=100)], [device(100, "other")]]
)
def test_the_effect_is_looked_for_until_oxygen_is_no_longer_known_or_time_is_excluded(what: list[Record]) -> None:
    records = [cannula(0, 2), *([] if what[0][0] == "devices" and what[0][1]["started_at"] == 60 else [cannula(60, 4)])]
    row = only(changes(600, *records, *what, gas(30, 6.0), gas(130, 7.0)))
    assert row["next_change_at"] == 100
    assert (row["gas_before_at"], row["gas_after_at"], row["pco2_change_kpa"]) == (30, None, None)


def test_a_gas_at_the_instant_of_the_change_is_before_it() -> None:
    row = only(changes(600, cannula(0, 2), cannula(60, 4), gas(60, 6.0, 7.4), gas(90, 6.6, 7.35)))
    assert (row["gas_before_at"], row["gas_after_at"], row["pco2_change_kpa"]) == (60, 90, 0.6)


def test_a_gas_at_the_instant_of_the_next_change_is_still_of_this_one_and_before_the_next() -> None:
    first, second = changes(
        900, cannula(0, 2), cannula(60, 4), cannula(120, 2), gas(0, 6.0), gas(120, 7.0), gas(180, 6.5)
    )
    assert (first["gas_before_at"], first["gas_after_at"], first["pco2_change_kpa"]) == (0, 120, 1.0)
    assert (second["gas_before_at"], second["gas_after_at"], second["pco2_change_kpa"]) == (120, 180, -0.5)


@pytest.mark.parametrize(("late", "found"), [(0, True), (1, False)])
def test_a_gas_counts_up_to_and_with_the_hours_of_the_policy(late: int, found: bool) -> None:
    changed = 400
    before = only(changes(2000, cannula(0, 2), cannula(changed, 4), gas(changed - SIX_HOURS - late, 6.0)))
    assert (before["gas_before_at"] is not None) is found
    after = only(changes(2000, cannula(0, 2), cannula(changed, 4), gas(changed + SIX_HOURS + late, 6.0)))
    assert (after["gas_after_at"] is not None) is found


def test_the_hours_are_those_of_the_policy() -> None:
    tables = chart(2000, cannula(0, 2), cannula(400, 4), gas(280, 6.0), gas(520, 7.0))
    assert only(rows_of(oxygen_changes, tables, replace(POLICY, gas_pair_hours=2)))["pco2_change_kpa"] == 1.0
    assert only(rows_of(oxygen_changes, tables, replace(POLICY, gas_pair_hours=1.99)))["gas_before_at"] is None


def test_venous_gases_and_those_of_excluded_time_are_passed_over_and_capillary_ones_are_not() -> None:
    records = [cannula(0, 2), cannula(120, 4), flag(30, "theatre", until=61)]
    row = only(
        changes(
            600,
            *records,
            gas(10, 6.0, sample_type="capillary"),
            gas(60, 9.0),
            gas(90, 9.0, sample_type="venous"),
            gas(130, 9.0, sample_type="venous"),
            gas(140, 7.0, sample_type="capillary"),
        )
    )
    assert (row["gas_before_at"], row["gas_after_at"], row["pco2_change_kpa"]) == (10, 140, 1.0)


def test_the_nearest_gas_counts_even_without_its_pco2() -> None:
    row = only(changes(600, cannula(0, 2), cannula(60, 4), gas(10, 6.0, 7.4), gas(50, None, 7.38), gas(90, 7.0, None)))
    assert (row["gas_before_at"], row["gas_before_pco2_kpa"], row["gas_after_at"]) == (50, None, 90)
    assert (row["pco2_change_kpa"], row["ph_change"]) == (None, None)


def test_the_reading_in_force_is_the_one_taken_at_the_instant_or_none_once_it_has_run_out() -> None:
    # A reading speaks for six hours: from 30 to 390.
    assert only(changes(900, cannula(0, 2), reading(30, 90), reading(60, 95), cannula(60, 4)))["spo2_percent"] == 95
    assert only(changes(900, cannula(0, 2), reading(30, 90), cannula(389, 4)))["spo2_percent"] == 90
    assert only(changes(900, cannula(0, 2), reading(30, 90), cannula(390, 4)))["spo2_percent"] is None


def test_a_nebuliser_driven_by_oxygen_is_a_rise_and_a_fall() -> None:
    # Half an hour at 0.50, then the cannula comes back.
    rows = changes(600, cannula(0, 2), device(60, "oxygen_driven_nebuliser"))
    assert [(r["changed_at"], r["fio2_before"], r["fio2_after"]) for r in rows] == [(60, 0.28, 0.5), (90, 0.5, 0.28)]


def test_nothing_is_carried_from_one_stay_to_the_next() -> None:
    stays = [
        chart(100, cannula(0, 2), gas(90, 6.0), stay_id="a"),
        chart(100, cannula(0, 4), gas(10, 7.0), stay_id="b"),
    ]
    assert rows_of(oxygen_changes, together(stays)) == []


def test_the_next_change_is_one_of_the_same_stay() -> None:
    stays = [
        chart(100, cannula(0, 2), cannula(60, 4), stay_id="a"),
        chart(100, cannula(0, 2), cannula(80, 4), stay_id="b"),
    ]
    rows = rows_of(oxygen_changes, together(stays))
    assert [(r["stay_id"], r["changed_at"], r["next_change_at"]) for r in rows] == [("a", 60, None), ("b", 80, None)]


def test_a_gas_after_the_end_of_an_open_stay_does_not_count() -> None:
    tables = chart(100, cannula(0, 2), cannula(60, 4), gas(100, 7.0))
    assert only(rows_of(oxygen_changes, tables))["gas_after_at"] is None


@pytest.mark.parametrize(("before", "after"), [(9.50, 10.03), (6.0, 6.53), (8.2, 8.73)])
def test_a_difference_is_what_one_reckons_on_paper(before: float, after: float) -> None:
    """In binary 10.03 - 9.50 is a hair under 0.53, the 4 mmHg of Wijesinghe (J R Soc Med 2012)."""
    row = only(changes(600, cannula(0, 2), cannula(60, 4), gas(30, before), gas(90, after)))
    assert row["pco2_change_kpa"] == 0.53 >= POLICY.pco2_rise_from_kpa


def test_without_stays_devices_or_gases_the_table_is_empty_and_has_its_columns() -> None:
    assert changes(600) == []
    assert [row["gas_before_at"] for row in changes(600, cannula(0, 2), cannula(60, 4))] == [None]


def test_giving_more_oxygen_by_24_then_28_percent_valves_as_published() -> None:
    """Seven patients on 24.5 and then 28 % oxygen: PaCO2 rose by 4 and by 8 mmHg (Br Med J, two valves).

    From 60 mmHg on air (8.0 kPa): 64 and 68 mmHg, 8.53 and 9.07 kPa: rises of 0.53 and 0.54.
    """
    rows = changes(
        600,
        device(0, "room_air"),
        gas(30, 8.0, 7.33),
        device(60, "air_entrainment_mask", flow=2, fio2=0.24),
        gas(120, 8.53, 7.31),
        device(121, "air_entrainment_mask", flow=4, fio2=0.28),
        gas(180, 9.07, 7.29),
    )
    assert [(r["fio2_before"], r["fio2_after"], r["pco2_change_kpa"]) for r in rows] == [
        (0.21, 0.24, 0.53),
        (0.24, 0.28, 0.54),
    ]
