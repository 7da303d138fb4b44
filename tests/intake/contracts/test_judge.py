"""The contracts of a load as a whole: each met and not met, at its edges, and never met when it could not be judged."""

import logging
import os
import subprocess
import sys
import warnings
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.check import RULES
from pipeline.intake.contracts import expectations, frames
from pipeline.intake.contracts import judge as judge_module
from pipeline.intake.contracts.expectations import make_batches, outside_limits
from pipeline.intake.contracts.judge import failures, judge, refusal, write_verdicts
from pipeline.store import sql_stems
from tests.intake.contracts.settled import AS_OF, FIRST, SPO2, STAYS, ZONE, add, ordinary_rows, settled

ROOT = Path(__file__).parents[2]
Change = Callable[[duckdb.DuckDBPyConnection], Any]
COMPARED = ("rows_a_patient_day", "patients_a_day", "columns_missing")


def verdicts_of(change: str | Change = "select 1", as_of: datetime = AS_OF, zone: str = ZONE) -> pl.DataFrame:
    """The verdicts of the ordinary load after a change."""
    with settled() as connection:
        if callable(change):
            change(connection)
        else:
            connection.execute(change)
        return judge(connection, zone, as_of)


def found(verdicts: pl.DataFrame, contract: str, subject: str | None = None) -> list[str]:
    """The verdicts of a contract, of one subject or of all, in order."""
    of_it = verdicts.filter(pl.col("contract") == contract)
    return (of_it if subject is None else of_it.filter(pl.col("subject") == subject))["verdict"].to_list()


def failed(verdicts: pl.DataFrame) -> set[tuple[str, str]]:
    return set(verdicts.filter(pl.col("verdict") == "not met").select("contract", "subject").iter_rows())


@pytest.fixture(scope="module")
def ordinary() -> pl.DataFrame:
    return verdicts_of()


@pytest.fixture(scope="module")
def batches() -> Any:
    with expectations.kept_quiet():
        return make_batches()


# --- the list of contracts --------------------------------------------------------------------------------------


def test_every_contract_has_a_limit_a_source_and_words_and_every_sql_file_is_used() -> None:
    every = judge_module.contracts()
    assert {contract.sql for contract in every} == set(sql_stems("contracts"))
    assert len({contract.title for contract in every}) == len(every)
    for contract in every:
        assert contract.lowest is not None or contract.highest is not None
        assert "source" in contract.source.lower() or "choice" in contract.source.lower() or "20" in contract.source
        assert "{observed}" in contract.found
        assert contract.compared in ("", "ratio", "difference")


# --- an ordinary load -------------------------------------------------------------------------------------------


def test_an_ordinary_first_load_fails_nothing_and_is_compared_with_nothing(ordinary: pl.DataFrame) -> None:
    assert set(ordinary["contract"]) == {contract.name for contract in judge_module.contracts()}
    by_contract = dict(ordinary.group_by("contract").agg(pl.col("verdict").unique()).iter_rows())
    assert by_contract == {name: ["not applicable"] if name in COMPARED else ["met"] for name in by_contract}
    assert failures(ordinary) == []
    assert refusal(ordinary) is None


def test_a_verdict_is_a_sentence_with_what_was_found_and_what_is_accepted(ordinary: pl.DataFrame) -> None:
    one = ordinary.filter(pl.col("contract") == "stays_without_target").row(0, named=True)
    assert one["sentence"] == "0 % of the stays have no target at all (accepted: at most 50 %)."
    assert (one["observed"], one["lowest"], one["highest"], one["unit"]) == (0.0, None, 0.5, "share")
    assert one["what_to_do"] == ""


def test_what_is_compared_later_is_already_noted_on_the_first_load(ordinary: pl.DataFrame) -> None:
    # Worked out by hand: 30 readings in 5 days are 6 a day; 40 stays of 5 days in 14.75 days.
    noted = dict(ordinary.filter(pl.col("contract").is_in(COMPARED)).select("subject", "observed").iter_rows())
    assert noted["readings"] == pytest.approx(6)
    assert noted["the load"] == pytest.approx(STAYS * 5 / 14.75)
    assert noted["readings.ews_scale"] == 1
    assert noted["readings.respiratory_rate"] == 0


# --- each contract not met --------------------------------------------------------------------------------------

SPOILT: list[tuple[str, str, str]] = [
    ("rows_accepted", "targets", "update incoming_targets set rule = 'unknown_stay'"),
    ("rows_accepted", "readings", "delete from incoming_readings"),
    ("kept_aside_by_table", "devices", "update incoming_devices set rule = 'unknown_code' where row_number % 10 = 0"),
    (
        "kept_aside_by_rule",
        "gases: out_of_range",
        "update incoming_gases set rule = 'out_of_range' where row_number < 4",
    ),
    ("freshness", "readings", f"delete from incoming_readings where taken_at > '{AS_OF - timedelta(days=2)}'"),
    ("spo2_digits", "95 %", "update incoming_readings set spo2_percent = 95 where spo2_percent = 94"),
    ("spo2_digits", "88 %", "update incoming_readings set spo2_percent = 88 where spo2_percent = 87"),
    (
        "ward_readings",
        "Birch",
        "delete from incoming_readings where stay_id in (select stay_id from incoming_wards where ward = 'Birch')",
    ),
    (
        "readings_a_patient_day",
        "Alder",
        "delete from incoming_readings where row_number % 7 > 0 "
        "and stay_id in (select stay_id from incoming_wards where ward = 'Alder')",
    ),
    (
        "day_readings",
        "2026-05-31",
        "delete from incoming_readings where (taken_at + interval 1 hour)::date = '2026-05-31'",
    ),
    (
        "readings_by_hour",
        "weekends 00:00 to 06:00",
        # UTC is an hour behind; 30 and 31 May, 6 and 7 June 2026 are Saturdays and Sundays.
        "delete from incoming_readings where hour(taken_at + interval 1 hour) < 6 "
        "and isodow(taken_at + interval 1 hour) >= 6 and row_number % 5 > 0",
    ),
    (
        "overlapping_stays",
        "the load",
        "update incoming_stays set patient_key = 'P000' where stay_id in ('S000', 'S001')",
    ),
    ("stays_without_target", "the load", "delete from incoming_targets where stay_id > 'S015'"),
    ("devices_without_flow", "devices", "update incoming_devices set flow_l_min = null where row_number % 3 = 0"),
    ("gases_without_pco2", "gases", "update incoming_gases set pco2_kpa = null where row_number % 5 = 0"),
]


@pytest.mark.parametrize(("contract", "subject", "change"), SPOILT, ids=[f"{c}-{s}" for c, s, _ in SPOILT])
def test_a_spoilt_load_breaks_the_contract_for_the_subject_that_was_spoilt(
    contract: str, subject: str, change: str
) -> None:
    verdicts = verdicts_of(change)
    assert (contract, subject) in failed(verdicts)
    row = verdicts.filter((pl.col("contract") == contract) & (pl.col("subject") == subject)).row(0, named=True)
    assert row["what_to_do"]
    assert "accepted: " in row["sentence"]
    # The other subjects of the contract keep it.
    assert {each for each in failed(verdicts) if each[0] == contract} == {(contract, subject)}


def test_every_contract_is_broken_by_one_of_these_tests() -> None:
    broken = {contract for contract, _, _ in SPOILT} | set(COMPARED)
    assert broken == {contract.name for contract in judge_module.contracts()}


# --- edges: limits are accepted themselves ----------------------------------------------------------------------


@pytest.mark.parametrize(("aside", "verdict"), [(4, "met"), (5, "not met")])
def test_just_five_in_a_hundred_rows_may_be_kept_aside(aside: int, verdict: str) -> None:
    verdicts = verdicts_of(f"update incoming_devices set rule = 'unknown_code' where row_number < {2 + aside}")
    assert found(verdicts, "kept_aside_by_table", "devices") == [verdict]  # of 80 rows


def test_a_share_that_rounds_to_its_limit_says_on_which_side_of_it_it_lies() -> None:
    def many(connection: duckdb.DuckDBPyConnection) -> None:
        stay = {"stay_id": "S000", "flag": "copd", "flagged_at": FIRST}
        add(connection, "flags", [stay] * 18_990 + [stay | {"rule": "unknown_code"}] * 1_010)

    verdicts = verdicts_of(many)
    assert found(verdicts, "kept_aside_by_table", "flags") == ["not met"]
    [sentence] = verdicts.filter(pl.col("subject") == "flags", pl.col("verdict") == "not met")["sentence"]
    assert sentence == "5.05 % of the rows of flags were kept aside (accepted: at most 5 %)."

    def hardly(connection: duckdb.DuckDBPyConnection) -> None:
        stay = {"stay_id": "S000", "flag": "copd", "flagged_at": FIRST}
        add(connection, "flags", [stay] * 18_999 + [stay | {"rule": "unknown_code"}] * 1_000)

    [sentence] = verdicts_of(hardly).filter(pl.col("subject") == "flags", pl.col("verdict") == "not met")["sentence"]
    assert sentence == "Just over 5 % of the rows of flags were kept aside (accepted: at most 5 %)."


@pytest.mark.parametrize(
    ("seconds", "verdict"),
    [(0, "met"), (24 * 3600, "met"), (24 * 3600 + 1, "not met"), (-1, "not met")],
)
def test_the_latest_reading_may_lie_a_day_before_the_end_and_none_after_it(seconds: int, verdict: str) -> None:
    latest = max(row["taken_at"] for row in ordinary_rows()["readings"])
    assert found(verdicts_of(as_of=latest + timedelta(seconds=seconds)), "freshness") == [verdict]


@pytest.mark.parametrize(("readings", "verdict"), [(1, "met"), (0, "not met")])
def test_one_reading_is_enough_for_a_ward(readings: int, verdict: str) -> None:
    def change(connection: duckdb.DuckDBPyConnection) -> None:
        times = [row["taken_at"] for row in ordinary_rows()["readings"] if row["stay_id"] == "S001"]
        connection.execute("update incoming_wards set ward = 'Cedar' where stay_id = 'S001'")
        connection.execute("delete from incoming_readings where stay_id = 'S001' and taken_at >= ?", [times[readings]])

    assert found(verdicts_of(change), "ward_readings", "Cedar") == [verdict]


def test_a_ward_that_was_passed_through_in_six_hours_is_owed_no_reading() -> None:
    def change(connection: duckdb.DuckDBPyConnection) -> None:
        start = FIRST + timedelta(hours=6, minutes=1)
        add(connection, "wards", [{"stay_id": "S001", "ward": "Cedar", "entered_at": start}])
        add(connection, "wards", [{"stay_id": "S001", "ward": "Alder", "entered_at": start + timedelta(hours=3)}])

    verdicts = verdicts_of(change)
    assert found(verdicts, "ward_readings", "Cedar") == ["not applicable"]
    assert found(verdicts, "readings_a_patient_day", "Cedar") == ["not applicable"]


def test_too_little_to_judge_is_not_applicable_and_never_met() -> None:
    rows = ordinary_rows()
    few = {name: [row for row in found_rows if row["stay_id"] == "S000"] for name, found_rows in rows.items()}
    with settled(few) as connection:
        verdicts = judge(connection, ZONE, FIRST + timedelta(days=5))
    assert found(verdicts, "spo2_digits") == ["not applicable"] * 7
    for contract in ("readings_a_patient_day", "devices_without_flow", "gases_without_pco2", "columns_missing"):
        assert set(found(verdicts, contract)) == {"not applicable"}
    assert set(found(verdicts, "day_readings")) == {"met"}


def test_a_load_without_a_single_reading_fails_for_that_and_judges_nothing_that_rests_on_readings() -> None:
    verdicts = verdicts_of("delete from incoming_readings")
    assert failed(verdicts) == {("rows_accepted", "readings")}
    for contract in ("freshness", "ward_readings", "day_readings", "stays_without_target", "patients_a_day"):
        assert set(found(verdicts, contract)) == {"not applicable"}


def test_exact_repeats_and_rows_kept_aside_do_not_count_as_readings() -> None:
    day = "(taken_at + interval 1 hour)::date = '2026-05-31'"
    for change in ("status = 'repeated'", "rule = 'unknown_stay'"):
        verdicts = verdicts_of(f"update incoming_readings set {change} where {day}")
        assert ("day_readings", "2026-05-31") in failed(verdicts)
    assert not failed(verdicts_of(f"update incoming_readings set status = 'already_stored' where {day}"))


def test_a_target_that_the_store_already_has_counts() -> None:
    def change(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("delete from incoming_targets where stay_id > 'S000'")
        connection.execute(
            "insert into stays by name select row_number() over () as stay_no, stay_id, patient_key, admitted_at, "
            "admitted_at as as_of from incoming_stays"
        )
        connection.execute(
            "insert into targets by name select stay_no, as_of as prescribed_at, 88 as lower_percent, "
            "92 as upper_percent from stays"
        )

    assert found(verdicts_of(change), "stays_without_target") == ["met"]


@pytest.mark.parametrize(
    ("keys", "verdict"),
    [
        # One pair of 40 stays is 5 %; the first stay ends where the 21st begins (20 x 6 hours = 5 days).
        ("'S000', 'S019'", "not met"),
        ("'S000', 'S020'", "met"),
    ],
)
def test_stays_of_one_patient_that_only_touch_do_not_overlap(keys: str, verdict: str) -> None:
    rows = ordinary_rows()
    with settled(rows) as connection:
        connection.execute(f"update incoming_stays set patient_key = 'P000' where stay_id in ({keys})")
        verdicts = judge(connection, ZONE, AS_OF)
    assert found(verdicts, "overlapping_stays") == [verdict]


def test_an_overlap_with_a_stay_of_the_store_counts() -> None:
    def change(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute(
            "insert into stays by name select 1 as stay_no, 'Z1' as stay_id, 'P003' as patient_key, admitted_at, "
            "admitted_at as as_of from incoming_stays where stay_id = 'S003'"
        )

    verdicts = verdicts_of(change)
    assert verdicts.filter(pl.col("contract") == "overlapping_stays")["observed"].to_list() == [1 / 40]


def test_readings_by_hour_are_local_and_as_a_plain_count_gives_them(ordinary: pl.DataFrame) -> None:
    local = ZoneInfo(ZONE)
    at = [row["taken_at"].replace(tzinfo=UTC).astimezone(local) for row in ordinary_rows()["readings"]]
    first, last = (each.replace(tzinfo=UTC).astimezone(local).date() for each in (FIRST, AS_OF))
    days = [first + timedelta(days=n) for n in range(1, (last - first).days)]
    counted = Counter((each.isoweekday() >= 6, each.hour // 6) for each in at if each.date() in days)
    even = sum(counted.values()) / (4 * len(days))
    noted = dict(ordinary.filter(pl.col("contract") == "readings_by_hour").select("subject", "observed").iter_rows())
    assert len(noted) == 8
    for subject, share in noted.items():
        kind, clock = subject.split(" ", 1)
        weekend, quarter = kind == "weekends", int(clock[:2]) // 6
        of_kind = sum((day.isoweekday() >= 6) is weekend for day in days)
        assert share == pytest.approx(counted[weekend, quarter] / (of_kind * even))


# --- days and digits against a plain count ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "first", "changes"),
    [
        # tz database: clocks go forward on 29 March 2026 in London, by half an hour on Lord Howe on 4 October.
        ("Europe/London", datetime(2026, 3, 26, 7), True),
        ("Australia/Lord_Howe", datetime(2026, 10, 1, 7), True),
        ("Asia/Kathmandu", datetime(2026, 3, 26, 7), False),
    ],
)
def test_days_are_local_days_as_a_plain_walk_through_the_readings_counts_them(
    zone: str, first: datetime, changes: bool
) -> None:
    rows = ordinary_rows()
    shift = first - FIRST
    for found_rows in rows.values():
        for row in found_rows:
            row |= {name: value + shift for name, value in row.items() if isinstance(value, datetime)}
    local = ZoneInfo(zone)
    counted = Counter(f"{row['taken_at'].replace(tzinfo=UTC).astimezone(local):%Y-%m-%d}" for row in rows["readings"])
    with settled(rows) as connection:
        verdicts = judge(connection, zone, AS_OF + shift)
    judged = verdicts.filter(pl.col("contract") == "day_readings")
    noted = dict(judged.select("subject", "observed").iter_rows())
    day, last = (at.replace(tzinfo=UTC).astimezone(local).date() for at in (first, AS_OF + shift))
    whole_days = [f"{day + timedelta(days=n)}" for n in range(1, (last - day).days)]
    assert noted == {each: counted[each] for each in whole_days}
    offsets = {(first + timedelta(days=n)).replace(tzinfo=UTC).astimezone(local).utcoffset() for n in range(14)}
    assert (len(offsets) == 2) is changes


def test_heaping_is_a_share_of_three_neighbours_as_a_plain_count_gives_it(ordinary: pl.DataFrame) -> None:
    counted = Counter(row["spo2_percent"] for row in ordinary_rows()["readings"])
    assert set(counted) == set(SPO2)
    noted = dict(ordinary.filter(pl.col("contract") == "spo2_digits").select("subject", "observed").iter_rows())
    assert list(noted) == ["88 %", "90 %", "92 %", "94 %", "95 %", "96 %", "98 %"]
    for subject, share in noted.items():
        value = float(subject.split(" ")[0])
        three = sum(counted[value + step] for step in (-1.0, 0.0, 1.0))
        assert share == pytest.approx(counted[value] / three)


# --- earlier loads ----------------------------------------------------------------------------------------------


def after_earlier_loads(number: int, change: str = "select 1") -> pl.DataFrame:
    """The verdicts of a load that comes after so many ordinary ones."""
    with settled() as connection:
        earlier = judge(connection, ZONE, AS_OF)
        for load_no in range(1, number + 1):
            into_the_ledger(connection, load_no)
            write_verdicts(connection, earlier)
        connection.execute(change)
        return judge(connection, ZONE, AS_OF)


def into_the_ledger(connection: duckdb.DuckDBPyConnection, load_no: int) -> None:
    connection.execute(
        "insert into load_ledger values (?, '2026-06-01', 'stays', 'stays.csv', 'abc', 1, 1, 0, 0, 0, 0, 0, ?, ?, '0')",
        [load_no, ZONE, AS_OF],
    )


def test_the_same_again_is_like_earlier_loads() -> None:
    verdicts = after_earlier_loads(2)
    assert not failed(verdicts)
    assert found(verdicts, "rows_a_patient_day", "readings") == ["met"]
    assert found(verdicts, "patients_a_day") == ["met"]
    assert found(verdicts, "columns_missing", "readings.respiratory_rate") == ["met"]
    [sentence] = verdicts.filter(pl.col("contract") == "rows_a_patient_day", pl.col("subject") == "readings")[
        "sentence"
    ]
    assert sentence == (
        "The table readings has 6 rows a patient-day "
        "(usual: 6 rows a patient-day; accepted: 4 to 9 rows a patient-day)."
    )


def test_a_table_half_empty_or_gone_is_not_like_earlier_loads() -> None:
    half = after_earlier_loads(1, "delete from incoming_readings where row_number % 2 = 0")
    assert failed(half) == {("rows_a_patient_day", "readings")}
    gone = after_earlier_loads(1, "delete from incoming_devices")
    assert failed(gone) == {("rows_a_patient_day", "devices")}


def test_half_the_patients_are_not_like_earlier_loads() -> None:
    change = "; ".join(f"delete from incoming_{name} where stay_id > 'S020'" for name in ("stays", "readings", "wards"))
    with settled() as connection:
        into_the_ledger(connection, 1)
        write_verdicts(connection, judge(connection, ZONE, AS_OF))
        connection.execute(change)
        assert "not met" in found(judge(connection, ZONE, FIRST + timedelta(days=14.75)), "patients_a_day")


def test_a_column_that_was_dropped_is_not_like_earlier_loads() -> None:
    verdicts = after_earlier_loads(3, "update incoming_readings set respiratory_rate = null where row_number % 9 = 0")
    assert failed(verdicts) == {("columns_missing", "readings.respiratory_rate")}
    assert not failed(
        after_earlier_loads(3, "update incoming_readings set respiratory_rate = null where row_number % 11 = 0")
    )


def test_the_usual_is_the_median_of_the_last_twelve_loads() -> None:
    with settled() as connection:
        earlier = judge(connection, ZONE, AS_OF)
        for load_no in range(1, 16):
            into_the_ledger(connection, load_no)
            # The first three loads, out of sight by now, were quite different; so was one of the twelve.
            factor = 100 if load_no <= 3 or load_no == 9 else 1
            write_verdicts(connection, earlier.with_columns(pl.col("observed") * factor))
        verdicts = judge(connection, ZONE, AS_OF)
    assert found(verdicts, "rows_a_patient_day", "readings") == ["met"]


def test_verdicts_stand_under_the_load_that_the_ledger_has_last(ordinary: pl.DataFrame) -> None:
    with settled() as connection:
        into_the_ledger(connection, 7)
        write_verdicts(connection, ordinary)
        stored = connection.sql("select * from load_verdicts").pl()
    assert set(stored["load_no"]) == {7}
    assert stored.drop("load_no").equals(ordinary)


# --- what could not be judged is never met ----------------------------------------------------------------------


def test_a_frame_that_cannot_be_made_is_not_met_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    real = frames.sql_text
    monkeypatch.setattr(
        frames, "sql_text", lambda folder, stem: "select 1 / 'x'" if stem == "days" else real(folder, stem)
    )
    verdicts = verdicts_of()
    assert found(verdicts, "day_readings") == ["could not run"]
    assert {*found(verdicts, "ward_readings")} == {"met"}
    assert "could not run" in str(refusal(verdicts))


def test_a_table_that_cannot_be_counted_leaves_nothing_met() -> None:
    verdicts = verdicts_of("drop table incoming_gases")
    assert set(verdicts["verdict"]) == {"could not run"}
    assert verdicts.height == len(judge_module.contracts())


def test_without_great_expectations_nothing_is_met(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "great_expectations", None)  # an import of it now raises ImportError
    verdicts = verdicts_of()
    assert "met" not in set(verdicts["verdict"])
    assert len(failures(verdicts)) == len(judge_module.contracts())


def test_an_exception_inside_one_expectation_could_not_run(monkeypatch: pytest.MonkeyPatch) -> None:
    real = judge_module.outside_limits

    def limits_the_wrong_way_round(batches: Any, values: Any, lowest: Any, highest: Any) -> list[bool]:
        return real(batches, values, *((9.0, 1.0) if (lowest, highest) == (0, 24) else (lowest, highest)))

    monkeypatch.setattr(judge_module, "outside_limits", limits_the_wrong_way_round)
    verdicts = verdicts_of()
    assert found(verdicts, "freshness") == ["could not run"]
    assert set(found(verdicts, "kept_aside_by_table")) == {"met"}
    [row] = verdicts.filter(pl.col("contract") == "freshness").rows(named=True)
    assert row["what_to_do"].startswith("A fault of the tool")


def test_an_exception_that_great_expectations_swallows_is_noticed(
    batches: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = pl.DataFrame.to_pandas
    monkeypatch.setattr(pl.DataFrame, "to_pandas", lambda frame: real(frame).rename(columns={"value": "other"}))
    with pytest.raises(RuntimeError, match="could not be judged"):
        outside_limits(batches, [1.0], 0, 2)


def test_a_value_that_is_no_number_does_not_pass_unseen(batches: Any) -> None:
    with pytest.raises(RuntimeError, match="every value"):
        outside_limits(batches, [1.0, float("nan")], 0, 2)


def test_an_interrupt_is_not_taken_for_a_fault_of_the_tool() -> None:
    def interrupted() -> None:
        raise duckdb.InterruptException("Interrupted!")

    with pytest.raises(duckdb.InterruptException):
        frames.attempt(interrupted)


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)


@settings(max_examples=25, deadline=None)
@given(
    values=st.lists(st.floats(allow_nan=False), min_size=1, max_size=8),
    limits=st.tuples(NUMBERS, NUMBERS).map(sorted),
    open_end=st.sampled_from(["none", "lowest", "highest"]),
)
def test_values_are_judged_as_a_plain_comparison_judges_them(
    batches: Any, values: list[float], limits: list[float], open_end: str
) -> None:
    lowest = None if open_end == "lowest" else limits[0]
    highest = None if open_end == "highest" else limits[1]
    plain = [(lowest is not None and v < lowest) or (highest is not None and v > highest) for v in values]
    assert outside_limits(batches, values, lowest, highest) == plain


# --- --strict ---------------------------------------------------------------------------------------------------


def test_the_refusal_says_what_is_wrong_and_what_to_do_and_names_no_cell() -> None:
    def change(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("update incoming_wards set ward = 'Ward of the secret name' where ward = 'Birch'")
        connection.execute(
            "delete from incoming_readings "
            "where stay_id in (select stay_id from incoming_wards where ward = 'Ward of the secret name')"
        )
        connection.execute("update incoming_gases set rule = 'out_of_range' where row_number < 40")

    verdicts = verdicts_of(change)
    text = str(refusal(verdicts))
    assert text.startswith("The extract as a whole is outside its limits, or could not be judged, on 3 points:\n")
    assert "Every ward has readings: not met. 1 of 2, named on the data-quality page." in text
    assert f"Few rows are kept aside: not met. {100 * 38 / 80:.3g} % of the rows of gases were kept aside" in text
    assert RULES["out_of_range"] in text
    assert "secret" not in text
    assert text.endswith("Nothing was stored.")
    assert "--strict" in text


def test_many_sentences_of_one_contract_are_cut_short_in_the_refusal() -> None:
    verdicts = verdicts_of("delete from incoming_readings where taken_at between '2026-05-27' and '2026-06-03 23:00'")
    [line] = [line for line in failures(verdicts) if line.startswith("Every day has readings")]
    # Readings are at even hours of UTC, so the eight local days from 27 May to 3 June are empty whole.
    assert line.startswith(
        "Every day has readings: not met. 2026-05-27 has 0 readings (accepted: at least 1 reading). "
    )
    assert line.endswith("And 5 more.")


# --- quiet, offline, late ---------------------------------------------------------------------------------------

_OFFLINE = """
import os, socket, sys

def refuse(*_, **__):
    print("a network was reached for", file=sys.stderr)
    os._exit(3)

socket.socket.connect = refuse
socket.socket.connect_ex = refuse
socket.socket.sendto = refuse
socket.getaddrinfo = refuse
socket.create_connection = refuse
socket.gethostbyname = refuse

import logging, warnings
shown = warnings.showwarning
from tests.intake.contracts.settled import AS_OF, ZONE, settled
from pipeline.intake.contracts.judge import judge
assert "great_expectations" not in sys.modules
with settled() as connection:
    verdicts = judge(connection, ZONE, AS_OF)
assert "great_expectations" in sys.modules
assert set(verdicts["verdict"]) == {"met", "not applicable"}, verdicts
assert logging.root.manager.disable == 0
assert warnings.showwarning is shown
assert "posthog" not in sys.modules
"""


def test_judging_reaches_for_no_network_says_nothing_and_writes_nothing(tmp_path: Path) -> None:
    home, here = tmp_path / "home", tmp_path / "here"
    home.mkdir()
    here.mkdir()
    done = subprocess.run(
        [sys.executable, "-B", "-c", _OFFLINE],
        capture_output=True,
        text=True,
        cwd=here,
        env={"HOME": str(home), "PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path]), "TMPDIR": str(tmp_path)},
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert not [path for path in tmp_path.rglob("*") if path not in (home, here)]


def test_the_blocked_sockets_would_have_been_noticed(tmp_path: Path) -> None:
    attempted = (
        _OFFLINE.split("import logging")[0] + "\nimport urllib.request; urllib.request.urlopen('http://127.0.0.1:9')"
    )
    done = subprocess.run([sys.executable, "-c", attempted], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 3
    assert "a network was reached for" in done.stderr


def test_what_is_said_while_judging_is_kept_from_the_user(
    capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    with expectations.kept_quiet():
        warnings.warn("to nobody", stacklevel=1)
        logging.getLogger("great_expectations").error("to nobody")
    assert capsys.readouterr() == ("", "")
    assert not caplog.records
    logging.getLogger("anybody").error("heard again")
    assert [record.message for record in caplog.records] == ["heard again"]


def test_help_is_answered_without_great_expectations() -> None:
    code = (
        "import sys\nfrom pipeline.cli import main\n"
        "try:\n    main(['load', '--help'])\nexcept SystemExit:\n    pass\n"
        "sys.exit(bool({'great_expectations', 'pandas'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0
    assert "usage: bandaudit" in done.stdout


def test_importing_the_contracts_does_not_import_great_expectations() -> None:
    code = "import sys, pipeline.intake.contracts; sys.exit('great_expectations' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0
