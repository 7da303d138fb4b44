"""`sensitivity`: the headline under every other choice, against measuring again under it, a plain walk, and by hand."""

import statistics
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from typing import Any

import duckdb
import pytest

from pipeline.events.choices import CARRY_HOURS, FIO2_THRESHOLDS, TIERS, choices
from pipeline.measure import derive, empty_measured_tables, fill_timeline, insert, measure_store
from pipeline.month_rollup import month_tables
from pipeline.policy import Policy, read_policy
from tests.charts import chart, device, flag, gas, reading, target, together
from tests.stores import empty_store, made_up_stays, store_with

POLICY = read_policy()
OBSERVED = ("below", "within", "above_on_oxygen", "above_on_air", "above_device_unknown")
SHARES = ("share_below", "share_within", "share_above_on_oxygen")
Key = tuple[str, str | None]


@pytest.fixture(scope="module")
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with store_with(made_up_stays(90, seed=4)) as connection:
        measured(connection, POLICY)
        yield connection


def measured(connection: duckdb.DuckDBPyConnection, policy: Policy) -> None:
    """As the main flow, without the measures."""
    empty_measured_tables(connection)
    insert(connection, "sensitivity_choices", choices(policy))
    fill_timeline(connection, policy)
    of_stays = ("stay_month_time", "retainers", "band_distance", "stay_month_on_oxygen")
    for table in (*of_stays, "sensitivity", "published_definitions"):
        derive(connection, table)
    insert(connection, "month_summary", month_tables(connection)[0])


def rows_of(connection: duckdb.DuckDBPyConnection, query: str) -> list[dict[str, Any]]:
    result = connection.execute(query)
    names = [column[0] for column in result.description]
    return [dict(zip(names, row, strict=True)) for row in result.fetchall()]


def under(connection: duckdb.DuckDBPyConnection, choice: str, value: str) -> dict[Key, dict[str, Any]]:
    """The rows of one choice and value by month and group."""
    rows = rows_of(connection, f"select * from sensitivity where choice = '{choice}' and value = '{value}'")
    found = {(row["month"], row["group"]): row for row in rows}
    assert len(found) == len(rows)
    return found


def summary(connection: duckdb.DuckDBPyConnection) -> dict[Key, dict[str, Any]]:
    rows = rows_of(connection, "select * from month_summary where ward is null")
    return {(row["month"], row["group"]): row for row in rows}


def compare(found: dict[Key, dict[str, Any]], expected: dict[Key, dict[str, Any]], columns: tuple[str, ...]) -> None:
    assert set(found) >= set(expected)
    for key, row in expected.items():
        assert [found[key][name] for name in columns] == pytest.approx([row[name] for name in columns]), key


def test_what_the_audit_counts_by_gives_the_headline_itself(store: duckdb.DuckDBPyConnection) -> None:
    expected = summary(store)
    for choice, value, shares, episodes in store.execute(
        "select choice, value, moves_shares, moves_episodes from sensitivity_choices where adopted"
    ).fetchall():
        found = under(store, choice, value)
        compare(found, expected, ("patients", *((*SHARES, "patients_observed") if shares else ())))
        if episodes:
            compare(found, expected, ("episodes", "episodes_above"))
    assert sum(row["episodes"] for row in expected.values()) > 20


@pytest.mark.parametrize("hours", CARRY_HOURS)
def test_another_carry_gives_what_measuring_again_under_it_gives(
    store: duckdb.DuckDBPyConnection, hours: float
) -> None:
    found = under(store, "reading_carry_hours", f"{hours:g}")
    with store_with(made_up_stays(90, seed=4)) as again:
        measured(again, replace(POLICY, reading_carry_hours=hours))
        expected = summary(again)
    for row in expected.values():
        seen = sum(row[f"{state}_s"] for state in OBSERVED)
        under_target = seen + row["unobserved_s"]
        row["share_unobserved"] = row["unobserved_s"] / under_target if under_target else None
    compare(found, expected, (*SHARES, "share_unobserved", "patients_observed"))


@pytest.mark.parametrize("threshold", FIO2_THRESHOLDS)
def test_another_threshold_gives_the_episodes_of_measuring_again_under_it(
    store: duckdb.DuckDBPyConnection, threshold: float
) -> None:
    found = under(store, "high_fio2_above", f"{threshold:g}")
    with store_with(made_up_stays(90, seed=4)) as again:
        measured(again, replace(POLICY, high_fio2_above=threshold))
        compare(found, summary(again), ("episodes", "episodes_above"))


@pytest.mark.parametrize(("place", "tier"), list(enumerate(TIERS, start=1)))
def test_a_tier_makes_the_groups_that_a_walk_through_the_timeline_makes(
    store: duckdb.DuckDBPyConnection, place: int, tier: str
) -> None:
    taken = ("gas", "history", "target")[:place]
    timeline = rows_of(store, "select * from timeline")
    retainers = {(row["patient_key"], row["month"]) for row in timeline if row["retainer_ever"] in taken}
    seconds: dict[Key, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    patients: dict[Key, set[str]] = defaultdict(set)
    for row in timeline:
        group = "retainer" if (row["patient_key"], row["month"]) in retainers else "other"
        keys: tuple[Key, ...] = ((row["month"], group), (row["month"], None))
        for key in keys:
            seconds[key][row["band_state"]] += row["seconds"]
            patients[key].add(row["patient_key"])
    episodes: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for episode in rows_of(store, "select * from high_fio2_episodes"):
        if episode["retainer_ever"] in taken:
            [month] = {
                row["month"]
                for row in timeline
                if row["stay_id"] == episode["stay_id"] and row["started_at"] == episode["started_at"]
            }
            episodes[month][0] += 1
            episodes[month][1] += episode["saturation_during"] == "above"
    found = under(store, "retainer_evidence", tier)
    assert sum(row["patients"] for row in found.values()) == sum(len(each) for each in patients.values())
    for key, states in seconds.items():
        observed = sum(states[state] for state in OBSERVED)
        expected = [states[state] / observed if observed else None for state in OBSERVED[:3]]
        assert [found[key][name] for name in SHARES] == pytest.approx(expected), key
        assert found[key]["patients"] == len(patients[key])
        whose = episodes[key[0]] if key[1] != "other" else [0, 0]
        assert [found[key]["episodes"], found[key]["episodes_above"]] == whose


def test_weighing_by_readings_and_by_patients_is_what_a_walk_gives(store: duckdb.DuckDBPyConnection) -> None:
    readings: dict[Key, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    own: dict[Key, dict[str, dict[str, int]]] = defaultdict(lambda: defaultdict(lambda: defaultdict(int)))
    groups = dict(store.execute("select patient_key || month, retainer_group from stay_month_time").fetchall())
    for row in rows_of(store, "select * from timeline where band_state not in ('no_target', 'excluded')"):
        for month_group in (groups[row["patient_key"] + row["month"]], None):
            key = (row["month"], month_group)
            readings[key][row["band_state"]] += row["readings"]
            own[key][row["patient_key"]][row["band_state"]] += row["seconds"]
    by_readings, by_patients = under(store, "weight", "readings"), under(store, "weight", "patients")
    for key, states in readings.items():
        taken = sum(states.values())
        expected = [states[state] / taken if taken else None for state in OBSERVED[:3]]
        assert [by_readings[key][name] for name in SHARES] == pytest.approx(expected)
        seen = [each for each in own[key].values() if sum(each[state] for state in OBSERVED)]
        assert by_patients[key]["patients_observed"] == len(seen)
        for name, state in zip(SHARES, OBSERVED[:3], strict=True):
            parts = [Fraction(each[state], sum(each[s] for s in OBSERVED)) for each in seen]
            wanted = float(sum(parts) / len(parts)) if parts else None
            assert by_patients[key][name] == pytest.approx(wanted)


def two_patients() -> dict[str, list[dict[str, Any]]]:
    """a: 10 h with three readings, 90 % throughout, a gas of 7 kPa. b: 2 h with one reading of 80 %; 88-92 % alone."""
    return together(
        [
            chart(
                600, target(0), *(reading(at, 90) for at in (0, 240, 420)), gas(0, 7.0), stay_id="a", patient_key="a"
            ),
            chart(120, target(0), reading(0, 80), stay_id="b", patient_key="b"),
        ]
    )


@pytest.mark.parametrize(("weight", "within"), [("time", 10 / 12), ("readings", 3 / 4), ("patients", 1 / 2)])
def test_the_three_weights_by_hand(weight: str, within: float) -> None:
    with store_with(two_patients()) as connection:
        measured(connection, POLICY)
        row = under(connection, "weight", weight)["2026-01", None]
    assert row["share_within"] == pytest.approx(within)
    assert row["share_below"] == pytest.approx(1 - within)
    assert row["patients_observed"] == 2


def test_the_tiers_by_hand() -> None:
    """a has a gas, b only a target, c an alert carried from before: three tiers of one, two and three retainers."""
    known = chart(60, target(0, 94, 98), reading(0, 96), flag(-60, "oxygen_alert"), stay_id="c", patient_key="c")
    with store_with(together([two_patients(), known])) as connection:
        measured(connection, POLICY)
        rows = {tier: under(connection, "retainer_evidence", tier) for tier in TIERS}
    found = {tier: (each["2026-01", "retainer"], each["2026-01", "other"]) for tier, each in rows.items()}
    assert {tier: (r["patients"], r["share_within"], o["patients"]) for tier, (r, o) in found.items()} == {
        "gas": (1, 1.0, 2),
        "gas or history": (2, 1.0, 1),
        "gas or history or target": (3, pytest.approx(11 / 13), 0),
    }
    assert found["gas or history or target"][1]["share_within"] is None


def test_a_figure_that_cannot_hang_on_a_choice_is_left_empty(store: duckdb.DuckDBPyConnection) -> None:
    for row in rows_of(store, "select * from sensitivity"):
        if row["choice"] in ("high_fio2_above", "fio2_estimate"):
            assert {row[name] for name in (*SHARES, "share_unobserved", "patients_observed")} == {None}
        if row["choice"] in ("reading_carry_hours", "weight"):
            assert row["episodes"] is row["episodes_above"] is None
        if row["value"] in ("readings", "patients"):
            assert row["share_unobserved"] is None


def test_every_month_and_group_has_every_choice_once(store: duckdb.DuckDBPyConnection) -> None:
    [(choices_looked_at,)] = store.execute("select count(*) from sensitivity_choices").fetchall()
    [(months,)] = store.execute("select count(distinct month) from stay_month_time").fetchall()
    [(rows, apart)] = store.execute(
        'select count(*), count(distinct (month, "group", choice, value)) from sensitivity'
    ).fetchall()
    assert rows == apart == months * 3 * choices_looked_at
    assert choices_looked_at == 5 + 3 + 3 + 4 + 3


def test_the_same_stays_in_another_order_give_the_same_figures_to_the_last_digit(
    store: duckdb.DuckDBPyConnection,
) -> None:
    turned = {name: rows[::-1] for name, rows in made_up_stays(90, seed=4).items()}
    with store_with(turned) as other:
        other.execute("set threads = 1")
        measured(other, POLICY)
        for table in ("sensitivity", "published_definitions"):
            query = f"select * from {table} order by all"
            assert other.execute(query).fetchall() == store.execute(query).fetchall()


def test_the_main_flow_fills_both_tables_and_a_store_without_stays_has_none() -> None:
    tables = ("sensitivity", "published_definitions")
    for connection, expected in ((store_with(on_oxygen()), True), (empty_store(), False)):
        with connection:
            measure_store(connection, POLICY)
            counts = [connection.execute(f"select count(*) from {name}").fetchall()[0][0] for name in tables]
            assert [count > 0 for count in counts] == [expected] * 2


# --- as published audits state it -------------------------------------------------------------------------------


def published(connection: duckdb.DuckDBPyConnection, group: str | None = None) -> dict[tuple[str, str], dict[str, Any]]:
    where = '"group" is null' if group is None else f"\"group\" = '{group}'"
    rows = rows_of(connection, f"select * from published_definitions where {where} and month = '2026-01'")
    return {(row["definition"], row["part"]): row for row in rows}


def on_oxygen() -> dict[str, list[dict[str, Any]]]:
    """Three patients, 88-92 %, on a cannula but for the last hour of a, which is on air.

    a, 5 h: 90 %, 95 % at 1 h, 90 % at 2 h; on air from 4 h with 96 %. Of 4 h on oxygen one is above, by 3 points.
    b, 2 h: 86 % and at 1 h 93 %: one hour below, one above by 1 point.
    c, 30 h: 90 % at the start and 80 % 25 h later: 6 h within and 5 h below; the 80 % is not in the first 24 h.
    """
    oxygen = (target(0), device(0, "nasal_cannula", 2))
    return together(
        [
            chart(
                300,
                *oxygen,
                *(reading(at, spo2) for at, spo2 in ((0, 90), (60, 95), (120, 90), (240, 96))),
                device(240, "room_air"),
                stay_id="a",
                patient_key="a",
            ),
            chart(120, *oxygen, reading(0, 86), reading(60, 93), stay_id="b", patient_key="b"),
            chart(
                1800,
                *oxygen,
                device(1440, "nasal_cannula", 2),
                reading(0, 90),
                reading(1500, 80),
                stay_id="c",
                patient_key="c",
            ),
        ]
    )


def test_the_published_definitions_by_hand() -> None:
    with store_with(on_oxygen()) as connection:
        measured(connection, POLICY)
        found = published(connection)
    own_shares = {
        # Of the readings on oxygen, and of the time on it, of a, b and c.
        ("readings_per_patient", "within"): (2 / 3, 0, 1 / 2),
        ("readings_per_patient", "above"): (1 / 3, 1 / 2, 0),
        ("readings_per_patient", "below"): (0, 1 / 2, 1 / 2),
        ("time_per_patient", "within"): (3 / 4, 0, 6 / 11),
        ("time_per_patient", "above"): (1 / 4, 1 / 2, 0),
        ("time_per_patient", "below"): (0, 1 / 2, 5 / 11),
    }
    for key, shares in own_shares.items():
        wanted = (statistics.mean(shares), statistics.stdev(shares))
        assert (found[key]["result"], found[key]["sd"]) == pytest.approx(wanted), key
        assert (found[key]["patients"], found[key]["numerator"]) == (3, None)
    counts = {
        ("pooled_readings", "within"): (3, 7),
        ("pooled_readings", "above"): (2, 7),
        ("pooled_readings", "below"): (2, 7),
        ("pooled_readings", "outside"): (4, 7),
        # 95 is three points above 92; 93 is one; 96 was on air.
        ("more_than_2_above", "above"): (1, 7),
        ("any_reading_in_24_h", "above"): (2, 3),
        ("any_reading_in_24_h", "below"): (1, 3),
        ("any_reading_in_24_h", "outside"): (2, 3),
        ("fixed_limits", "under_90_on_oxygen"): (2, 7),
        ("fixed_limits", "at_100_on_oxygen"): (0, 7),
        ("fixed_limits", "under_90_on_air"): (0, 1),
    }
    assert {key: (found[key]["numerator"], found[key]["denominator"]) for key in counts} == counts
    assert set(found) == set(own_shares) | set(counts)
    assert all(row["sd"] is None for key, row in found.items() if key in counts)


def test_one_patient_has_a_mean_and_no_standard_deviation() -> None:
    with store_with(chart(60, target(0), device(0, "nasal_cannula", 2), reading(0, 90))) as connection:
        measured(connection, POLICY)
        row = published(connection)["time_per_patient", "within"]
    assert (row["result"], row["sd"], row["patients"]) == (1.0, None, 1)


def test_nobody_on_oxygen_under_a_target_leaves_only_the_readings_on_air() -> None:
    with store_with(chart(60, target(0), device(0, "room_air"), reading(0, 85))) as connection:
        measured(connection, POLICY)
        found = published(connection)
    assert {key: row["result"] for key, row in found.items()} == {("fixed_limits", "under_90_on_air"): 1.0}


def test_excluded_readings_and_those_without_a_device_are_in_no_published_figure() -> None:
    tables = chart(180, target(0), reading(0, 85), device(60, "nasal_cannula", 2), reading(90, 85), flag(60, "theatre"))
    with store_with(tables) as connection:
        measured(connection, POLICY)
        assert published(connection) == {}


def test_the_first_24_hours_count_in_the_month_of_the_admission() -> None:
    """Admitted at 23:00 on 31 January; the only reading below the band is in February, two hours later."""
    late = chart(
        600,
        target(0),
        device(0, "nasal_cannula", 2),
        reading(0, 90),
        reading(120, 80),
        admitted=datetime(2026, 1, 31, 23),
    )
    with store_with(late) as connection:
        measured(connection, POLICY)
        rows = rows_of(
            connection,
            "select month, numerator, denominator from published_definitions "
            "where definition = 'any_reading_in_24_h' and part = 'below' and \"group\" is null",
        )
    assert rows == [{"month": "2026-01", "numerator": 1, "denominator": 1}]


@pytest.mark.parametrize(("minute", "counted"), [(1439, 1), (1440, 0)])
def test_the_24_hours_end_before_the_instant_a_day_after_the_admission(minute: int, counted: int) -> None:
    oxygen = device(0, "nasal_cannula", 2), device(1400, "nasal_cannula", 2)
    with store_with(chart(1600, target(0), *oxygen, reading(0, 90), reading(minute, 80))) as connection:
        measured(connection, POLICY)
        assert published(connection)["any_reading_in_24_h", "below"]["numerator"] == counted


def test_minute_by_minute_readings_make_shares_of_readings_and_of_time_equal() -> None:
    """A dense record: each reading stands for one minute, so both ways of counting are the same."""
    spo2 = [86 + (7 * minute) % 11 for minute in range(240)]
    tables = chart(
        240, target(0), device(0, "nasal_cannula", 2), *(reading(minute, value) for minute, value in enumerate(spo2))
    )
    with store_with(tables) as connection:
        measured(connection, POLICY)
        found = published(connection)
    for part in ("below", "within", "above"):
        by_reading, by_time = (found[f"{unit}_per_patient", part]["result"] for unit in ("readings", "time"))
        assert by_reading == pytest.approx(by_time)
        assert 0 < by_time < 1
