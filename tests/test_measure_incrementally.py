"""Measuring only what changed gives, cell by cell, what measuring all at once gives; and resumes where it stopped.

Loads go through the tool's own steps from staged rows on; the slow road through files and the command line is that of
`tests/test_measure_command.py`.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import measure, pooled_months
from pipeline.catalogue import read_measures
from pipeline.intake.settle import settle
from pipeline.intake.stage import create_incoming
from pipeline.intake.storing import changes_anything, store_rows
from pipeline.measure import MEASURED_TABLES, insert, measure_store
from pipeline.memory import Shares
from pipeline.policy import Policy, read_policy
from pipeline.pooled_months import DERIVED_BY_MONTH
from pipeline.store import fact, forget_fact, set_fact, sql_text, transaction
from pipeline.vocabulary import TABLES
from tests.stores import Tables, empty_store, made_up_stays

POLICY = read_policy()
OTHER_POLICY = replace(POLICY, reading_carry_hours=2)
ALL_MEASURES = read_measures()
# One of each kind, and those that look at readings, gases and the whole stay.
FEW_MEASURES = tuple(
    each
    for each in ALL_MEASURES
    if each.id
    in (
        "share_within",
        "high_fio2_episode_rate",
        "minutes_to_repeat_gas",
        "observed_in_time",
        "oxygen_stays_with_target",
    )
)
HORIZON = datetime(2026, 3, 1)
Contents = dict[str, list[tuple[Any, ...]]]


@pytest.fixture(autouse=True)
def _few_measures(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measure, "read_measures", lambda: FEW_MEASURES)


# --- helpers --------------------------------------------------------------------------------------------------------


def load(
    connection: duckdb.DuckDBPyConnection, tables: Tables, *, replaces: bool = False, horizon: datetime = HORIZON
) -> None:
    """Settles and stores these rows, as a load does once it has read them."""
    create_incoming(connection)
    for name, rows in tables.items():
        if rows:
            frame = pl.DataFrame(rows, infer_schema_length=None).with_row_index("row_number")
            insert(connection, f"incoming_{name}", frame.with_columns(file_number=0))
    settle(connection, replaces)
    rejected = sum(connection.execute(f"select count(*) from incoming_{n} where rule is not null").fetchall()[0][0]
                   for n in TABLES)  # fmt: skip
    assert rejected == 0
    if changes_anything(connection, horizon):
        with transaction(connection):
            store_rows(connection, horizon)
            set_fact(connection, "data_version", str(int(fact(connection, "data_version") or 0) + 1))


def contents(connection: duckdb.DuckDBPyConnection) -> Contents:
    """Every row of every measured table, in order."""
    tables = (*MEASURED_TABLES, "timeline")
    return {table: connection.execute(f"select * from {table} order by all").fetchall() for table in tables}


def measured_at_once(connection: duckdb.DuckDBPyConnection, policy: Policy) -> Contents:
    """What measuring everything from the start gives."""
    for name in ("measured_state", "measured_with"):
        forget_fact(connection, name)
    assert measure_store(connection, policy) is True
    return contents(connection)


def assert_as_at_once(connection: duckdb.DuckDBPyConnection, policy: Policy = POLICY) -> Contents:
    """Brings the store up to date and holds every cell against measuring all of it at once."""
    measure_store(connection, policy)
    found = contents(connection)
    expected = measured_at_once(connection, policy)
    for table, rows in expected.items():
        assert found[table] == rows, table
    return found


def of_stays(tables: Tables, stay_ids: set[str]) -> Tables:
    return {name: [row for row in rows if row["stay_id"] in stay_ids] for name, rows in tables.items()}


def counting(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The number of stays in each batch that is measured from now on."""
    counts, usual = list[int](), measure.measure_batch

    def counted(frames: Any, *others: Any) -> Any:
        counts.append(frames["stays"].height)
        return usual(frames, *others)

    monkeypatch.setattr(measure, "measure_batch", counted)
    return counts


@pytest.fixture
def universe() -> Tables:
    """Twelve stays of fewer patients."""
    return made_up_stays(12, seed=3)


@pytest.fixture
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with empty_store() as connection:
        yield connection


def halves(tables: Tables) -> tuple[Tables, Tables]:
    """The stays admitted before, and from, the middle of them on."""
    ordered = sorted(tables["stays"], key=lambda stay: stay["admitted_at"])
    first = {stay["stay_id"] for stay in ordered[: len(ordered) // 2]}
    return of_stays(tables, first), of_stays(tables, {stay["stay_id"] for stay in ordered} - first)


# --- stays ----------------------------------------------------------------------------------------------------------


def test_of_a_later_load_only_new_stays_and_others_of_their_patients_are_measured(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(measure, "read_measures", lambda: ALL_MEASURES)
    first, second = halves(universe)
    load(store, first)
    measure_store(store, POLICY)
    load(store, second)
    counts = counting(monkeypatch)
    measure_store(store, POLICY)
    patients = {stay["patient_key"] for stay in second["stays"]}
    expected = sum(stay["patient_key"] in patients for stay in universe["stays"])
    assert len(second["stays"]) < expected < len(universe["stays"])
    assert counts == [expected]
    found = assert_as_at_once(store)
    assert not [table for table, rows in found.items() if not rows]


def test_nothing_new_measures_nothing(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(store, universe)
    measure_store(store, POLICY)
    load(store, universe)
    counts = counting(monkeypatch)
    assert measure_store(store, POLICY) is False
    assert counts == []


def test_a_gas_that_turns_up_late_makes_a_later_stay_of_the_patient_that_of_a_retainer(
    store: duckdb.DuckDBPyConnection, universe: Tables
) -> None:
    """The later stay itself is not in the load."""
    stays = sorted(universe["stays"][:2], key=lambda stay: stay["admitted_at"])
    for stay in stays:
        stay["patient_key"] = "same"
    tables = of_stays(universe, {stay["stay_id"] for stay in stays}) | {"gases": [], "flags": [], "targets": []}
    first, second = stays
    assert first["discharged_at"] <= second["admitted_at"]
    load(store, tables)
    measure_store(store, POLICY)
    assert store.execute("select * from retainers").fetchall() == []
    sample = {"taken_at": first["admitted_at"], "sample_type": "arterial", "pco2_kpa": 7.0, "ph": 7.3}
    load(store, {"gases": [{"stay_id": first["stay_id"], **sample}]})
    assert_as_at_once(store)
    evidence = store.execute("select stay_id, retainer_ever from retainers order by retainer_ever").fetchall()
    assert evidence == [(first["stay_id"], "gas"), (second["stay_id"], "history")]


def test_a_stay_still_open_is_measured_again_when_it_is_known_for_longer(
    store: duckdb.DuckDBPyConnection, universe: Tables
) -> None:
    [stay] = universe["stays"][:1]
    tables = of_stays(universe, {stay["stay_id"]})
    ended = stay["discharged_at"]
    stay["discharged_at"] = None
    load(store, tables, horizon=ended)
    measure_store(store, POLICY)
    load(store, {"stays": [stay]}, horizon=ended + timedelta(days=2))
    assert_as_at_once(store)
    [(end,)] = store.execute("select max(ended_at) from timeline").fetchall()
    assert end == ended + timedelta(days=2)


def test_a_stay_that_goes_to_another_patient_changes_the_figures_of_both(
    store: duckdb.DuckDBPyConnection, universe: Tables
) -> None:
    load(store, universe)
    measure_store(store, POLICY)
    keys = [stay["patient_key"] for stay in universe["stays"]]
    shared = next(stay for stay in universe["stays"] if keys.count(stay["patient_key"]) > 1)
    moved = shared | {"patient_key": next(key for key in keys if key != shared["patient_key"])}
    load(store, of_stays(universe, {shared["stay_id"]}) | {"stays": [moved]}, replaces=True)
    assert_as_at_once(store)


@settings(max_examples=3, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32), actions=st.lists(st.sampled_from("lrgpks"), min_size=2, max_size=4))
def test_any_sequence_of_loads_and_stops_gives_what_measuring_at_once_gives(seed: int, actions: list[str]) -> None:
    """l: more stays and rows; r: a stay replaced; g: a late gas; p: another policy; k, s: measuring is stopped."""
    rng = np.random.default_rng(seed)
    universe = made_up_stays(8, seed=int(rng.integers(0, 2**31)))
    policy, loaded = POLICY, set[str]()
    with empty_store() as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "read_measures", lambda: FEW_MEASURES)
        for action in ["l", *actions]:
            if action == "l":
                loaded |= {stay["stay_id"] for stay in universe["stays"] if rng.random() < 0.5}
                load(connection, some_rows(of_stays(universe, loaded), rng))
            elif action == "r" and loaded:
                load(connection, replaced_stay(universe, str(rng.choice(sorted(loaded))), rng), replaces=True)
            elif action == "g" and loaded:
                load(connection, late_gas(universe, str(rng.choice(sorted(loaded))), rng))
            elif action == "p":
                policy = OTHER_POLICY if policy is POLICY else POLICY
            if action in "ks":
                stopped(connection, policy, patch, after=int(rng.integers(0, 6)))
            elif rng.random() < 0.5:
                measure_store(connection, policy, readings_in_a_batch=60)
        assert_as_at_once(connection, policy)


def some_rows(tables: Tables, rng: np.random.Generator) -> Tables:
    """Every stay, and of the other tables two rows in three: the rest comes with a later load, or never."""
    return {
        name: rows if name == "stays" else [r for r in rows if rng.random() < 0.67] for name, rows in tables.items()
    }


def replaced_stay(universe: Tables, stay_id: str, rng: np.random.Generator) -> Tables:
    """The stay with other readings, fewer rows, now and then of another patient."""
    tables = some_rows(of_stays(universe, {stay_id}), rng)
    tables["readings"] = [row | {"spo2_percent": float(rng.integers(84, 101))} for row in tables["readings"]]
    if rng.random() < 0.3:
        tables["stays"] = [tables["stays"][0] | {"patient_key": str(rng.choice(["P000", "P001", "new"]))}]
    # From now on this is what the hospital's records say.
    for name, rows in universe.items():
        universe[name] = [row for row in rows if row["stay_id"] != stay_id] + tables[name]
    return tables


def late_gas(universe: Tables, stay_id: str, rng: np.random.Generator) -> Tables:
    [stay] = of_stays(universe, {stay_id})["stays"]
    # Whole minutes are taken by the charts.
    at = stay["admitted_at"] + timedelta(seconds=30 + 60 * int(rng.integers(0, 60)))
    gas = {"stay_id": stay_id, "taken_at": at, "sample_type": "arterial", "ph": 7.3, "pco2_kpa": 6.5}
    universe["gases"] = [row for row in universe["gases"] if (row["stay_id"], row["taken_at"]) != (stay_id, at)] + [gas]
    return {"gases": [gas]}


def stopped(connection: duckdb.DuckDBPyConnection, policy: Policy, patch: pytest.MonkeyPatch, after: int) -> None:
    """Measures in small batches until Ctrl-C, which comes while a later table is being filled."""
    left, usual = [10 * after], measure.derive

    def until_stopped(*arguments: Any) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise KeyboardInterrupt
        usual(*arguments)

    with patch.context() as inner:
        inner.setattr(measure, "derive", until_stopped)
        try:
            measure_store(connection, policy, readings_in_a_batch=60)
        except KeyboardInterrupt:
            assert fact(connection, "measured_state") is None


# --- measure files, policy, tables ----------------------------------------------------------------------------------


def test_only_a_measure_whose_file_changed_is_run_again(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(store, universe)
    measure_store(store, POLICY)
    before = contents(store)
    changed = replace(FEW_MEASURES[0], sql=FEW_MEASURES[0].sql.replace("sum(seconds)", "2 * sum(seconds)"))
    added = next(each for each in ALL_MEASURES if each.id == "share_below")
    monkeypatch.setattr(measure, "read_measures", lambda: (changed, *FEW_MEASURES[2:], added))
    counts, ran = counting(monkeypatch), list[str]()
    usual = measure.run_measure
    monkeypatch.setattr(measure, "run_measure", lambda con, each: (ran.append(each.id), usual(con, each)))
    measure_store(store, POLICY, readings_in_a_batch=60)
    assert counts == []
    assert set(ran) == {changed.id, added.id}
    found = assert_as_at_once(store)
    assert {row[0] for row in found["measure_summary"]} == {changed.id, added.id, *(m.id for m in FEW_MEASURES[2:])}
    unchanged = {each.id for each in FEW_MEASURES[2:]}
    kept = [[row for row in each["measure_summary"] if row[0] in unchanged] for each in (before, found)]
    assert kept[0] == kept[1] != []


def test_a_changed_measure_and_new_stays_at_once(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = halves(universe)
    load(store, first)
    measure_store(store, POLICY)
    load(store, second)
    changed = replace(FEW_MEASURES[0], sql=FEW_MEASURES[0].sql.replace("sum(seconds)", "2 * sum(seconds)"))
    monkeypatch.setattr(measure, "read_measures", lambda: (changed, *FEW_MEASURES[1:]))
    assert_as_at_once(store)


# --- months ---------------------------------------------------------------------------------------------------------


def months_pooled(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The months that are pooled from now on."""
    seen, usual = list[str](), pooled_months.month_tables

    def noted(connection: duckdb.DuckDBPyConnection, months: list[str]) -> Any:
        seen.extend(months)
        return usual(connection, months)

    monkeypatch.setattr(pooled_months, "month_tables", noted)
    return seen


def test_only_months_with_other_rows_are_pooled_again_and_compared_with_their_neighbours(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stay of November alone changes; December compares itself with November and must follow."""
    load(store, universe)
    measure_store(store, POLICY)
    before = contents(store)
    in_november = next(
        stay for stay in universe["stays"]
        if (stay["admitted_at"].month, stay["discharged_at"].month) == (11, 11)
        and any(row["stay_id"] == stay["stay_id"] for row in universe["readings"])
        and any(row["stay_id"] == stay["stay_id"] for row in universe["targets"])
    )  # fmt: skip
    tables = of_stays(universe, {in_november["stay_id"]})
    load(store, tables | {"readings": [row | {"spo2_percent": 99.0} for row in tables["readings"]]}, replaces=True)
    pooled = months_pooled(monkeypatch)
    found = assert_as_at_once(store)
    assert pooled[0] == "2025-11"
    assert set(pooled[1:]) == {row[0] for row in found["month_summary"]}
    changed = {row[0] for row in set(found["month_changes"]) - set(before["month_changes"])}
    assert changed == {"2025-12"}


def test_stronger_evidence_alone_changes_the_figures_by_tier_of_evidence(
    store: duckdb.DuckDBPyConnection, universe: Tables
) -> None:
    """The patient was a retainer by the target before; the gas is drawn at the very end, so no other figure moves."""
    [stay] = universe["stays"][:1]
    tables = of_stays(universe, {stay["stay_id"]}) | {"gases": [], "flags": []}
    target = {"prescribed_at": stay["admitted_at"], "lower_percent": 88.0, "upper_percent": 92.0}
    tables["targets"] = [{"stay_id": stay["stay_id"], **target}]
    load(store, tables)
    measure_store(store, POLICY)
    before = contents(store)
    at = stay["discharged_at"] - timedelta(seconds=1)
    sample = {"taken_at": at, "sample_type": "arterial", "pco2_kpa": 7.0, "ph": 7.4}
    load(store, {"gases": [{"stay_id": stay["stay_id"], **sample}]})
    found = assert_as_at_once(store)
    assert found["stay_month_time"] == before["stay_month_time"]
    assert found["sensitivity"] != before["sensitivity"]


def test_tables_pooled_by_month_read_nothing_that_is_not_looked_at_for_changes(
    store: duckdb.DuckDBPyConnection,
) -> None:
    """But what hangs on the policy, with which everything is made anew, and the evidence, which is looked at apart."""
    read = {name for table in DERIVED_BY_MONTH for name in store.get_table_names(sql_text("derived", table))}
    assert read - {"sensitivity_choices", "retainers", "stays_by_group"} == set(pooled_months._THEIR_SOURCES)
    for table in DERIVED_BY_MONTH:
        assert "month" in store.table(table).columns


@pytest.mark.parametrize("rows_at_once", [1])
def test_months_pooled_in_parts_are_the_same(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch, rows_at_once: int
) -> None:
    load(store, universe)
    monkeypatch.setattr(pooled_months, "shares", lambda: Shares(rows_pooled=rows_at_once))
    measure_store(store, POLICY)
    found = contents(store)
    monkeypatch.undo()
    monkeypatch.setattr(measure, "read_measures", lambda: FEW_MEASURES)
    assert found == measured_at_once(store, POLICY)


# --- whenever it stops ----------------------------------------------------------------------------------------------

PLACES: dict[str, tuple[Any, str]] = {
    "in a batch": (measure, "run_measure"),
    "between tables": (measure, "derive"),
    "while months are pooled": (pooled_months, "month_tables"),
}


@pytest.mark.parametrize(
    ("place", "raised"),
    [
        *((place, KeyboardInterrupt) for place in PLACES),
        ("in a batch", duckdb.ConversionException),
    ],
)
def test_wherever_it_stops_what_was_measured_is_kept_and_the_next_run_goes_on(
    store: duckdb.DuckDBPyConnection,
    universe: Tables,
    monkeypatch: pytest.MonkeyPatch,
    place: str,
    raised: type[BaseException],
) -> None:
    load(store, universe)
    module, name = PLACES[place]
    calls, usual = [0], getattr(module, name)

    def third_time(*arguments: Any, **named: Any) -> Any:
        calls[0] += 1
        # A batch has five measures and six derived tables: in the second one.
        if calls[0] == (8 if name in ("run_measure", "derive") else 1):
            raise raised
        return usual(*arguments, **named)

    with monkeypatch.context() as patch:
        patch.setattr(module, name, third_time)
        with pytest.raises(raised):
            measure_store(store, POLICY, readings_in_a_batch=60)
    assert fact(store, "measured_state") is None
    assert temporary(store) == []
    done = int(fact(store, "measured_up_to") or 0)
    assert done > 0
    stays = dict(store.execute("select stay_no, stay_id from stays").fetchall())
    assert {stay for (stay,) in store.execute("select stay_id from conditions").fetchall()} == {
        stay for number, stay in stays.items() if number <= done
    }
    counts = counting(monkeypatch)
    measure_store(store, POLICY)
    assert sum(counts) == sum(number > done for number in stays)
    assert_as_at_once(store)


def temporary(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Tables and views that would stand before those of the store."""
    found = connection.execute(
        "select table_name from information_schema.tables where table_catalog = 'temp'"
    ).fetchall()
    return [name for (name,) in found if name in (*TABLES, *MEASURED_TABLES)]


def test_after_a_stop_a_load_may_come_before_the_next_run(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = halves(universe)
    load(store, first)
    stopped(store, POLICY, monkeypatch, after=1)
    assert fact(store, "measured_up_to") != "0"
    load(store, second)
    stopped(store, POLICY, monkeypatch, after=1)
    assert_as_at_once(store)


# --- batches --------------------------------------------------------------------------------------------------------


def test_stays_of_a_patient_are_always_measured_together_and_in_order_of_admission(
    store: duckdb.DuckDBPyConnection, universe: Tables, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = halves(universe)
    load(store, first)
    load(store, second)
    seen, usual = list[pl.DataFrame](), measure.measure_batch
    monkeypatch.setattr(measure, "measure_batch", lambda f, *o: (seen.append(f["stays"]), usual(f, *o))[1])
    measure_store(store, POLICY, readings_in_a_batch=1)
    assert len(seen) > 3
    batches_of = pl.concat(frame.with_columns(batch=pl.lit(n)) for n, frame in enumerate(seen))
    assert batches_of.group_by("patient_key").agg(pl.col("batch").n_unique())["batch"].max() == 1
    assert batches_of.group_by("patient_key").agg(pl.col("admitted_at").is_sorted())["admitted_at"].all()


def test_rows_of_every_table_lie_in_order_of_stay_and_time_after_any_loads(
    store: duckdb.DuckDBPyConnection, universe: Tables
) -> None:
    """So that a range of stays is read without sorting."""
    rng = np.random.default_rng(8)
    first, second = halves(universe)
    for tables in (some_rows(first, rng), some_rows(second, rng), first, second):
        load(store, tables)
    load(store, replaced_stay(universe, universe["stays"][0]["stay_id"], rng), replaces=True)
    for name, table in TABLES.items():
        rows = store.execute(f"select stay_no, {table.at} from {name}").fetchall()
        assert rows == sorted(rows)
        assert rows


def test_a_store_in_which_stays_of_a_patient_lie_apart_is_put_in_order_before_it_is_measured(
    store: duckdb.DuckDBPyConnection, universe: Tables
) -> None:
    """As when stores of several hospitals were put together: the stays of one lie behind all those of the other."""
    first, second = halves(universe)
    shared = {stay["patient_key"] for stay in first["stays"]} & {stay["patient_key"] for stay in second["stays"]}
    assert shared
    load(store, universe)
    [(highest,)] = store.execute("select max(stay_no) from stays").fetchall()
    behind = [stay["stay_id"] for stay in second["stays"]]
    for name in (*(name for name in TABLES if name != "stays"), "stays"):
        store.execute(
            f"update {name} set stay_no = stay_no + ? "
            "where stay_no in (select stay_no from stays where list_contains(?, stay_id))",
            [highest, behind],
        )
    with empty_store() as usual:
        load(usual, universe)
        measure_store(usual, POLICY)
        expected = contents(usual)
    measure_store(store, POLICY, readings_in_a_batch=1)
    found = contents(store)
    for table in MEASURED_TABLES:
        # The numbers of stays are others, and nothing else.
        if table not in ("spans", "conditions"):
            assert found[table] == expected[table], table
    assert found["timeline"] == expected["timeline"]
