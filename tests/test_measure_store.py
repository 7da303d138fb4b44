"""The main flow: when it measures, what a stop leaves behind, and that batches change nothing.

That measuring only what changed gives the same: `test_measure_incrementally.py`.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline import measure
from pipeline.catalogue import read_measures
from pipeline.cli import main
from pipeline.errors import MeasureFileError
from pipeline.measure import MEASURED_TABLES, measure_store
from pipeline.policy import read_policy
from pipeline.store import fact, open_store, set_fact, sql_stems
from tests import oracle, oracle_episodes
from tests.charts import ADMITTED, chart, device, flag, gas, reading, target, together
from tests.store_files import write_measured_store
from tests.stores import empty_store, made_up_stays, store_with

POLICY = read_policy()
Contents = dict[str, list[tuple[Any, ...]]]


@pytest.fixture
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with store_with(made_up_stays(24)) as connection:
        yield connection


@pytest.fixture
def measured(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The same stays, measured under the usual policy."""
    with duckdb.connect(str(write_measured_store(tmp_path / "store.duckdb", 24))) as connection:
        yield connection


def contents(connection: duckdb.DuckDBPyConnection) -> Contents:
    """Every row of every measured table, in order."""
    tables = (*MEASURED_TABLES, "timeline")
    return {table: connection.execute(f"select * from {table} order by all").fetchall() for table in tables}


# --- when -----------------------------------------------------------------------------------------------------


def test_it_fills_every_measured_table_and_then_does_nothing_until_something_changes(
    store: duckdb.DuckDBPyConnection,
) -> None:
    assert measure_store(store, POLICY) is True
    first = contents(store)
    assert all(first.values()), [table for table, rows in first.items() if not rows]
    # A mark that measuring again would wipe out.
    store.execute("delete from retainers")
    told: list[str] = []
    assert measure_store(store, POLICY, told.append) is False
    assert told == []
    assert contents(store)["retainers"] == []


def change_policy(store: duckdb.DuckDBPyConnection, patch: pytest.MonkeyPatch) -> Any:
    return replace(POLICY, reading_carry_hours=4)


def change_tool(store: duckdb.DuckDBPyConnection, patch: pytest.MonkeyPatch) -> Any:
    patch.setattr(measure, "tool_version", lambda: "another")
    return POLICY


@pytest.mark.parametrize("change", [change_policy, change_tool])
def test_it_measures_everything_again_after_a_change_of_policy_or_tool(
    measured: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, change: Callable[..., Any]
) -> None:
    policy = change(measured, monkeypatch)
    measured.execute("delete from retainers")
    assert measure_store(measured, policy) is True
    assert contents(measured)["retainers"]
    assert measure_store(measured, policy) is False


def test_a_measure_that_is_gone_takes_its_rows_and_figures_with_it(
    measured: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = contents(measured)
    gone, *others = read_measures()
    monkeypatch.setattr(measure, "read_measures", lambda: tuple(others))
    assert measure_store(measured, POLICY) is True
    for table, place in (("measure_rows", 0), ("measure_summary", 0), ("pooled_months", 0)):
        expected = [row for row in usual[table] if row[place] != gone.id]
        assert contents(measured)[table] == expected != usual[table]
    assert measure_store(measured, POLICY) is False


def test_a_store_that_lacks_a_measured_table_is_measured_again(measured: duckdb.DuckDBPyConnection) -> None:
    """As after an update of the tool that brought a new table."""
    usual = contents(measured)
    measured.execute("drop table sensitivity")
    assert measure_store(measured, POLICY) is True
    assert contents(measured) == usual
    assert measure_store(measured, POLICY) is False


def test_another_policy_gives_other_figures_and_the_old_one_the_old_figures(
    measured: duckdb.DuckDBPyConnection,
) -> None:
    usual = contents(measured)
    assert fact(measured, "measured_policy") == POLICY.fingerprint
    shorter = replace(POLICY, reading_carry_hours=1)
    measure_store(measured, shorter)
    assert contents(measured)["stay_band_time"] != usual["stay_band_time"]
    assert fact(measured, "measured_policy") == shorter.fingerprint
    measure_store(measured, POLICY)
    assert contents(measured) == usual


def test_progress_says_what_is_done_and_how_far_it_is(store: duckdb.DuckDBPyConnection) -> None:
    told: list[Any] = []
    measure_store(store, POLICY, told.append, readings_in_a_batch=100)
    [(readings,)] = store.execute("select count(*) from readings").fetchall()
    stays = [step for step in told if step == "measuring the stays"]
    assert stays == told[: len(stays)]
    assert [step.done for step in stays] == sorted({step.done for step in stays})
    assert len(stays) > 2
    assert {(step.of, step.what) for step in stays} == {(readings, "readings")}
    assert (stays[0].done, stays[-1].done) == (0, readings)
    pooled = told[len(stays) :]
    assert set(pooled) == {"adding up over all stays", "pooling by month, ward and group"}
    [(months,)] = store.execute("select count(distinct month) from month_summary").fetchall()
    assert pooled[-1].done == pooled[-1].of == months


def test_a_store_made_before_there_were_tables_of_events_is_measured(measured: duckdb.DuckDBPyConnection) -> None:
    whole = contents(measured)
    for table in ("valve_stretches", "policy_values"):
        measured.execute(f"drop table {table}")
    set_fact(measured, "measured_state", "by an earlier tool")
    assert measure_store(measured, POLICY) is True
    assert contents(measured) == whole


# --- what -----------------------------------------------------------------------------------------------------


def test_the_store_holds_what_the_slow_walk_gives() -> None:
    """From rows in the store to band time and episodes, against an independent walk through every minute."""
    tables = made_up_stays(16, seed=5)
    as_of = max(row["discharged_at"] for row in tables["stays"])
    with store_with(tables) as connection:
        measure_store(connection, POLICY)
        found = connection.sql("select * from stay_band_time").pl().to_dicts()
        episodes = connection.sql("select stay_id, started_at, ended_at, high_s from high_fio2_episodes").fetchall()
    step = oracle.exact_step(tables, as_of, oracle.DEFAULTS)
    expected = oracle.stay_band_time(tables, "Europe/London", as_of, step=step)
    assert sorted(found, key=str) == sorted(({c: row[c] for c in found[0]} for row in expected), key=str)
    walked = oracle_episodes.high_fio2_episodes(tables, "Europe/London", as_of, step=step)
    assert sorted(episodes) == sorted((e["stay_id"], e["started_at"], e["ended_at"], e["high_s"]) for e in walked)
    assert episodes


@pytest.mark.parametrize("readings_in_a_batch", [1, 100])
def test_batches_of_any_size_give_the_same(readings_in_a_batch: int) -> None:
    few = made_up_stays(8, seed=2)
    told: list[Any] = []
    with store_with(few) as whole, store_with(few) as in_batches:
        measure_store(whole, POLICY)
        measure_store(in_batches, POLICY, told.append, readings_in_a_batch)
        assert told.count("measuring the stays") > 2
        assert contents(in_batches) == contents(whole)


def test_earlier_retention_is_seen_in_batches_as_small_as_can_be() -> None:
    """The gas is in another stay than the stay it is evidence for; the two are in one batch all the same."""
    tables = made_up_stays(2, seed=9)
    for table in ("gases", "flags", "targets"):
        tables[table] = []
    first, second = tables["stays"]
    first["patient_key"] = second["patient_key"] = "same"
    sample = {"taken_at": first["admitted_at"], "sample_type": "arterial", "pco2_kpa": 7.0, "ph": 7.3}
    tables["gases"] = [{"stay_id": first["stay_id"], **sample}]
    assert first["discharged_at"] < second["admitted_at"]
    with store_with(tables) as connection:
        measure_store(connection, POLICY, readings_in_a_batch=1)
        evidence = connection.execute("select stay_id, retainer_ever from retainers order by stay_id").fetchall()
    assert evidence == [(first["stay_id"], "gas"), (second["stay_id"], "history")]


def test_a_store_without_stays_can_be_measured() -> None:
    with empty_store() as connection:
        assert measure_store(connection, POLICY) is True
        filled = {table for table, rows in contents(connection).items() if rows}
        assert filled == {"policy_values", "sensitivity_choices"}
        assert measure_store(connection, POLICY) is False


def test_a_stay_with_nothing_charted_is_time_without_target() -> None:
    with store_with(chart(60)) as connection:
        measure_store(connection, POLICY)
        rows = connection.execute("select no_target_s, unobserved_s from stay_band_time").fetchall()
    assert rows == [(3600, 0)]


def test_each_evidence_has_the_instant_from_which_it_was_the_strongest() -> None:
    """A target at 10 minutes, a flag at 20, a gas at 30; a later flag and target add nothing."""
    records = (target(10), flag(20, "oxygen_alert"), gas(30, 6.5), flag(40, "home_ventilation"), target(50))
    stays = [
        chart(60, *records, stay_id="a"),
        chart(60, gas(5, 6.5), target(10), stay_id="b", patient_key="q"),
        chart(60, target(10, 94, 98), flag(0, "copd"), stay_id="c", patient_key="r"),
    ]
    with store_with(together(stays)) as connection:
        measure_store(connection, POLICY)
        rows = connection.execute("select * exclude (patient_key) from retainers order by stay_id").fetchall()
    minutes = [
        (stay_id, ever, *(at and (at - ADMITTED).total_seconds() / 60 for at in times))
        for stay_id, ever, *times in rows
    ]
    assert minutes == [("a", "gas", 30, 20, 10), ("b", "gas", 5, None, None)]


def test_the_respiratory_rate_of_a_patient_on_a_valve_comes_from_the_stored_readings() -> None:
    """At 31 breaths a minute the likely peak is 62 L/min; a 28 % valve at 4 L/min gives 44.6."""
    valve = device(0, "air_entrainment_mask", flow=4, fio2=0.28)
    with store_with(chart(60, valve, reading(0, 90, rate=20), reading(30, 90, rate=31))) as connection:
        measure_store(connection, POLICY)
        rows = connection.execute(
            "select seconds, respiratory_rate, meets_demand from valve_stretches order by started_at"
        ).fetchall()
    assert rows == [(1800, 20, True), (1800, 31, False)]


def test_the_thresholds_measured_with_are_kept_for_the_measures() -> None:
    with store_with(made_up_stays(2)) as connection:
        measure_store(connection, replace(POLICY, pco2_rise_from_kpa=0.4))
        kept = dict(connection.execute("select name, value from policy_values").fetchall())
        units = connection.execute("select unit from policy_values where name = 'gas_pair_hours'").fetchall()
    assert kept == {p.name: p.value for p in POLICY.parameters} | {"pco2_rise_from_kpa": 0.4}
    assert units == [("hours",)]


def test_every_measured_table_is_a_table_of_the_store() -> None:
    assert set(MEASURED_TABLES) <= set(sql_stems("tables"))


# --- when it fails --------------------------------------------------------------------------------------------


def failing_measures(sql: str) -> Callable[[], Any]:
    measures = read_measures()
    return lambda: (*measures[:-1], replace(measures[-1], sql=sql))


DIVIDES_BY_TEXT = (
    "select stay_id, ward, month, cast(patient_key as integer) as numerator, 1 as denominator from timeline"
)
DIVIDES_BY_ZERO = "select stay_id, ward, month, 1 / (seconds - seconds) as numerator, 1 as denominator from timeline"
TOO_LARGE = "select stay_id, ward, month, seconds * 1e20 as numerator, 1 as denominator from timeline"


@pytest.mark.parametrize(
    ("sql", "because"),
    [
        (DIVIDES_BY_TEXT, "Conversion Error while it ran: a value could not be turned into the type asked for"),
        (DIVIDES_BY_ZERO, r"not finite, or too large to add up \(a division by 0\?\)"),
        (TOO_LARGE, "not finite, or too large to add up"),
    ],
)
def test_a_measure_that_fails_while_it_runs_leaves_the_rows_of_the_others_as_they_were(
    measured: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, sql: str, because: str
) -> None:
    before = contents(measured)
    monkeypatch.setattr(measure, "read_measures", failing_measures(sql))
    with pytest.raises(MeasureFileError, match=f"line [0-9]+: .*{because}") as refused:
        measure_store(measured, POLICY)
    assert read_measures()[-1].file.name in str(refused.value)
    keys = {key for (key,) in measured.execute("select patient_key from stays").fetchall()}
    assert not [key for key in keys if key in str(refused.value)]
    # Nothing that is half measured is taken for done, and nothing is lost.
    assert fact(measured, "measured_state") is None
    assert contents(measured) == before
    # And the connection can be used: the same store is up to date as soon as the fault is gone.
    monkeypatch.undo()
    told: list[Any] = []
    assert measure_store(measured, POLICY, told.append) is True
    assert "running measures that are new or changed" not in told
    assert contents(measured) == before


def test_a_store_on_disk_is_sound_when_it_is_opened_again_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "store.duckdb"
    with open_store(file, create=True) as connection:
        set_fact(connection, "zone", "UTC")
        connection.execute("insert into stays by name select 1 as stay_no, 's' as stay_id, 'p' as patient_key, "
                           "timestamp '2026-01-05' as admitted_at, timestamp '2026-01-06' as as_of")  # fmt: skip
    monkeypatch.setattr(measure, "read_measures", failing_measures(DIVIDES_BY_TEXT))
    with pytest.raises(MeasureFileError), open_store(file) as connection:
        measure_store(connection, POLICY)
    with open_store(file) as connection:
        assert fact(connection, "measured_state") is None
        assert contents(connection)["timeline"] == []
        assert connection.execute("select count(*) from stays").fetchall() == [(1,)]
    monkeypatch.undo()
    with open_store(file) as connection:
        assert measure_store(connection, POLICY) is True
        assert contents(connection)["timeline"]


def test_a_measure_file_that_does_not_fit_is_refused_before_anything_is_done(
    measured: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, state = contents(measured), fact(measured, "measured_state")
    monkeypatch.setattr(measure, "read_measures", failing_measures("select stay_id, ward, mnth from timeline"))
    told: list[str] = []
    with pytest.raises(MeasureFileError, match="mnth"):
        measure_store(measured, replace(POLICY, reading_carry_hours=1), told.append)
    assert told == []
    assert contents(measured) == before
    assert fact(measured, "measured_state") == state


# --- one measure ----------------------------------------------------------------------------------------------


def test_a_measure_that_splits_by_retainer_is_grouped_by_it_and_others_by_the_patients_month() -> None:
    """Evidence comes with a target at 20 minutes: by the month all is `retainer`, by the status a third is `other`."""
    usual = read_measures()[0]
    sql = "select stay_id, ward, month{} , sum(seconds) as numerator, 1 as denominator from timeline group by all"
    with store_with(chart(60, target(20), reading(0, 90))) as connection:
        measure_store(connection, POLICY)
        connection.execute("delete from measure_rows")
        for name, columns in (("by_month", ""), ("by_status", ", retainer")):
            measure.run_measure(connection, replace(usual, id=name, sql=sql.format(columns)))
        rows = connection.execute('select measure_id, "group", numerator from measure_rows order by all').fetchall()
    assert rows == [("by_month", "retainer", 3600), ("by_status", "other", 1200), ("by_status", "retainer", 2400)]


def test_a_store_into_which_nothing_was_loaded_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = tmp_path / "empty.duckdb"
    with open_store(store, create=True):
        pass
    for command in ("report", "export"):
        assert main([command, "--store", str(store), "--out", str(tmp_path / command)]) == 2
        assert "Nothing was loaded into this store yet" in capsys.readouterr().err
