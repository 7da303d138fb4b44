"""Which stays are listed for review, and in what order: small stores by hand, one reason at a time."""

from datetime import datetime, timedelta
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.measure import insert
from pipeline.policy import read_policy
from reports.stays_to_review import MOST, stays_to_review
from tests.stores import empty_store

POLICY = read_policy()
MONTH = "2026-06"
START, END = datetime(2026, 5, 31, 23), datetime(2026, 6, 30, 23)
AT = datetime(2026, 6, 10, 12)
HOUR = 3600
Row = dict[str, Any]


def run(hours: float, **others: Any) -> tuple[str, Row]:
    """A run above the band on oxygen."""
    began = others.get("started_at", AT)
    return "excess_runs", {
        "ward": "Alder",
        "month": MONTH,
        "started_at": began,
        "ended_at": began + timedelta(hours=hours),
        "above_s": round(hours * HOUR),
        "percent_hours": hours,
        "highest_above_points": 3.0,
        "upper_percent": 92.0,
        "device": "simple_mask",
        "litres_unknown_s": 0,
        "retainer_ever": "gas",
        "acidosis_after": None,
        **others,
    }


def episode(**others: Any) -> tuple[str, Row]:
    """An episode of high oxygen above the band, with a gas in time."""
    return "high_fio2_episodes", {
        "started_at": AT,
        "ended_at": AT + timedelta(hours=1),
        "high_s": HOUR,
        "peak_fio2": 0.6,
        "mean_fio2": 0.6,
        "device_at_peak": "reservoir_mask",
        "ward": "Birch",
        "retainer_ever": "gas",
        "below_s": 0,
        "within_s": 0,
        "above_on_oxygen_s": HOUR,
        "unobserved_s": 0,
        "repeat_gas_in_time": True,
        "acidosis_after": None,
        "saturation_during": "above",
        **others,
    }


def step(name: str, **others: Any) -> tuple[str, Row]:
    return "pathway_steps", {
        "ward": "Cedar",
        "month": MONTH,
        "step": name,
        "started_at": AT,
        "minutes": 30.0,
        "done": True,
        "in_time": True,
        **others,
    }


def below(hours: float) -> tuple[str, Row]:
    return "stay_month_time", {"below_s": round(hours * HOUR)}


def store(group: str = "retainer", **stays: list[tuple[str, Row]]) -> duckdb.DuckDBPyConnection:
    """A store with these stays, each with its events; all of patients in one group."""
    connection = empty_store()
    columns = [row[0] for row in connection.execute("describe stay_month_time").fetchall()]
    tables: dict[str, list[Row]] = {}
    for stay, events in stays.items():
        known = {"stay_id": stay, "patient_key": f"p-{stay}", "month": MONTH, "ward": "A", "retainer_group": group}
        time = dict.fromkeys(columns, 0) | known
        for table, row in events:
            if table == "stay_month_time":
                time |= row
            else:
                tables.setdefault(table, []).append({"stay_id": stay, **row})
        tables.setdefault("stay_month_time", []).append(time)
    for table, rows in tables.items():
        insert(connection, table, pl.DataFrame(rows, infer_schema_length=None))
    return connection


def listed(connection: duckdb.DuckDBPyConnection, *absent: str) -> list[Row]:
    return stays_to_review(connection, MONTH, START, END, POLICY, absent)


def order(**stays: list[tuple[str, Row]]) -> list[str]:
    return [row["stay_id"] for row in listed(store(**stays))]


def only(*events: tuple[str, Row]) -> Row:
    [row] = listed(store(s=list(events)))
    return row


ACIDOSIS = {
    "gas_after_at": AT + timedelta(hours=2),
    "gas_after_ph": 7.29,
    "gas_after_pco2_kpa": 8.4,
    "acidosis_after": True,
}
RISE = {"gas_before_pco2_kpa": 6.4, "gas_after_pco2_kpa": 7.6, "pco2_change_kpa": 1.2}


# --- reasons ----------------------------------------------------------------------------------------------------


def test_six_hours_above_are_a_reason_and_a_minute_less_is_none() -> None:
    assert only(run(6))["is_long"]
    assert order(s=[run(6 - 1 / 60)]) == []
    # Two runs of a month are added up.
    assert only(run(3), run(3, started_at=AT + timedelta(days=1)))["above_s"] == 6 * HOUR


def test_runs_and_steps_of_another_month_are_not_looked_at() -> None:
    assert order(s=[run(30, month="2026-05"), step("bilevel_after_gas", month="2026-05", in_time=False)]) == []
    assert order(s=[episode(started_at=END, repeat_gas_in_time=False)]) == []
    assert order(s=[episode(started_at=START, repeat_gas_in_time=False)]) == ["s"]


def test_patients_who_do_not_retain_co2_are_not_listed() -> None:
    assert listed(store("other", s=[run(30, **ACIDOSIS)])) == []


def test_acidosis_after_a_run_or_an_episode_stands_with_the_earliest_gas() -> None:
    row = only(run(1, **ACIDOSIS))
    assert (row["acidosis_ph"], row["acidosis_pco2_kpa"]) == (7.29, 8.4)
    earlier = ACIDOSIS | {"gas_after_at": AT + timedelta(hours=1), "gas_after_ph": 7.2}
    assert only(run(1, **ACIDOSIS), episode(**earlier))["acidosis_ph"] == 7.2
    assert only(run(1, **earlier), episode(**ACIDOSIS))["acidosis_ph"] == 7.2
    assert only(episode(**ACIDOSIS))["acidosis_ph"] == 7.29


def test_a_rise_of_pco2_counts_from_the_limit_of_the_policy_on() -> None:
    limit = POLICY.pco2_rise_from_kpa
    row = only(run(1, **RISE | {"pco2_change_kpa": limit}))
    assert (row["rise_kpa"], row["rise_from_kpa"], row["rise_to_kpa"]) == (limit, 6.4, 7.6)
    assert order(s=[run(1, **RISE | {"pco2_change_kpa": limit - 0.01})]) == []


def test_the_largest_rise_is_told() -> None:
    larger = {"gas_before_pco2_kpa": 6.0, "gas_after_pco2_kpa": 8.0, "pco2_change_kpa": 2.0}
    assert only(run(1, **RISE), run(1, started_at=AT + timedelta(days=1), **larger))["rise_to_kpa"] == 8.0


def test_time_after_a_retaining_gas_is_that_of_later_runs_and_the_rest_of_the_one_it_fell_into() -> None:
    assert only(run(7, retainer="gas"))["after_gas_s"] == 7 * HOUR
    gas = {"gas_after_at": AT + timedelta(hours=1), "gas_after_pco2_kpa": 6.5}
    assert only(run(8, retainer="target", **gas))["after_gas_s"] == 7 * HOUR
    # At the threshold it shows no retention; once the run is over it was not in it.
    at_threshold = gas | {"gas_after_pco2_kpa": POLICY.retainer_pco2_above_kpa}
    assert only(run(8, retainer="target", **at_threshold))["after_gas_s"] == 0
    assert only(run(8, **gas | {"gas_after_at": AT + timedelta(hours=8)}))["after_gas_s"] == 0


def test_an_avoidable_episode_without_a_gas_in_time_is_a_reason_and_one_that_was_needed_is_none() -> None:
    assert only(episode(repeat_gas_in_time=False))["without_gas"]
    assert order(s=[episode(repeat_gas_in_time=False, saturation_during="within")]) == []
    assert order(s=[episode()]) == []


def test_without_gases_loaded_no_gas_can_be_late() -> None:
    assert listed(store(s=[episode(repeat_gas_in_time=False)]), "gases") == []


@pytest.mark.parametrize("name", ["bilevel_after_gas", "bilevel_after_arrival"])
def test_late_ventilation_is_a_reason_and_what_cannot_be_told_is_none(name: str) -> None:
    assert only(step(name, in_time=False))["late_ventilation"]
    assert order(s=[step(name)]) == []
    assert order(s=[step(name, in_time=None, done=False)]) == []


def test_oxygen_uncontrolled_counts_from_an_hour_on() -> None:
    assert only(step("controlled_oxygen", minutes=60.0, in_time=None))["uncontrolled_minutes"] == 60
    assert order(s=[step("controlled_oxygen", minutes=59.0, in_time=None)]) == []


def test_other_steps_of_the_pathway_are_no_reason() -> None:
    assert order(s=[step("gas_after_more_oxygen", in_time=False), step("target_prescribed", in_time=False)]) == []


def test_long_below_the_band_is_a_reason_too() -> None:
    assert only(below(6))["is_long_below"]
    assert order(s=[below(5.9)]) == []


# --- where to begin ---------------------------------------------------------------------------------------------


def test_the_longest_run_says_where_to_begin() -> None:
    later = AT + timedelta(days=2)
    row = only(run(2), run(9, started_at=later, ward=None, device="cpap"), episode(), step("controlled_oxygen"))
    assert (row["began_at"], row["ward"], row["device"]) == (later, None, "cpap")
    assert (row["runs"], row["longest_s"]) == (2, 9 * HOUR)


def test_without_a_run_the_first_episode_and_then_the_first_step_say_it() -> None:
    row = only(episode(repeat_gas_in_time=False), step("bilevel_after_gas", started_at=START))
    assert (row["began_at"], row["ward"], row["device"]) == (AT, "Birch", "reservoir_mask")
    row = only(step("bilevel_after_gas", in_time=False))
    assert (row["began_at"], row["ward"], row["device"]) == (AT, "Cedar", None)
    assert only(below(8))["began_at"] is None


# --- order ------------------------------------------------------------------------------------------------------


def test_acidosis_comes_before_a_rise_and_a_rise_before_any_number_of_other_reasons() -> None:
    many = [
        run(40, retainer="gas"),
        episode(repeat_gas_in_time=False),
        step("bilevel_after_gas", in_time=False),
        below(20),
    ]
    assert order(a=many, b=[run(0.1, **RISE)], c=[episode(**ACIDOSIS)]) == ["c", "b", "a"]


def test_more_reasons_come_before_more_time_and_more_time_before_the_key() -> None:
    assert order(a=[run(30)], b=[run(7), below(7)], c=[run(31)], d=[run(30)]) == ["b", "c", "a", "d"]


def test_both_of_acidosis_and_rise_come_before_acidosis_alone() -> None:
    assert order(a=[run(9, **ACIDOSIS)], b=[run(1, **ACIDOSIS | RISE)]) == ["b", "a"]


def test_a_stay_has_one_line_and_ten_are_listed() -> None:
    stays = {f"s{number:02d}": [run(30 - number), run(1), episode()] for number in range(14)}
    assert order(**stays) == [f"s{number:02d}" for number in range(MOST)]


def test_the_order_does_not_hang_on_the_order_of_rows() -> None:
    stays = {name: [run(7), run(7, started_at=AT + timedelta(days=1), ward="Birch")] for name in "cab"}
    turned = {name: events[::-1] for name, events in reversed(stays.items())}
    assert listed(store(**stays)) == listed(store(**turned))
    assert listed(store(**stays))[0]["ward"] == "Alder"
