"""Stores that may not stand side by side are refused, and the reason is named."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.comparable import check_files, check_not_the_same, check_policies, store_names
from pipeline.errors import AuditError
from pipeline.measure import insert
from pipeline.policy import Policy, read_policy
from tests.compared import refused
from tests.stores import empty_store

POLICY = read_policy()
NORTH, SOUTH = Path("north.duckdb"), Path("south.duckdb")


def store(file: str = "readings-1", stays: int = 40, key: str = "N", rows_stored: int = 5) -> duckdb.DuckDBPyConnection:
    """A store with so many stays and one loaded file."""
    con = empty_store()
    start = datetime(2026, 5, 1)
    rows = [
        {
            "stay_no": number,
            "stay_id": f"S{key}{number}",
            "patient_key": f"P{key}{number}",
            "admitted_at": start + timedelta(hours=number),
            "discharged_at": start + timedelta(days=3),
            "as_of": start + timedelta(days=60),
        }
        for number in range(stays)
    ]
    insert(con, "stays", pl.DataFrame(rows))
    con.execute(
        "insert into load_ledger values (1, ?, 'readings', ?, ?, 9, ?, 0, 0, 0, 0, 0, 'Europe/London', ?, '0.1.0')",
        [start, f"{file}.csv", file, rows_stored, start],
    )
    return con


def measured_by(con: duckdb.DuckDBPyConnection, policy: Policy) -> duckdb.DuckDBPyConnection:
    rows = [
        {"name": entry.name, "value": float(getattr(policy, entry.name)), "unit": entry.unit}
        for entry in policy.parameters
    ]
    insert(con, "policy_values", pl.DataFrame(rows))
    return con


# --- the same hospital twice ------------------------------------------------------------------------------------


def test_a_store_and_a_link_to_it_are_the_same(tmp_path: Path) -> None:
    file, link = tmp_path / "a.duckdb", tmp_path / "b.duckdb"
    file.write_bytes(b"x")
    link.symlink_to(file)
    with refused("the same store", str(file), str(link), "--compare"):
        check_files([file, link])
    check_files([file, tmp_path / "missing.duckdb", tmp_path / "missing.duckdb"])


def test_a_copy_of_a_store_is_known_by_its_input_files() -> None:
    with refused("north and south hold the same stays", "readings-1.csv", "Nothing was changed"):
        check_not_the_same({"north": store(), "south": store(key="S")})


def test_a_file_of_which_no_row_was_stored_makes_no_two_stores_the_same() -> None:
    check_not_the_same({"north": store(rows_stored=0), "south": store(key="S")})


@pytest.mark.parametrize(("in_both", "same"), [(1, False), (2, True)])
def test_the_same_stays_from_other_files_are_known_by_key_and_times(in_both: int, same: bool) -> None:
    """Of 40 stays in the smaller store: 2 are one in twenty."""
    north, south = store(stays=60), store("other", key="S")
    south.execute(f"delete from stays where stay_no < {in_both}")
    copied = north.sql(f"select * from stays where stay_no < {in_both}").pl()
    south.register("copied", copied)
    south.execute("insert into stays by name from copied")
    if same:
        with refused("One stay in twenty", "--compare 2026-05 2026-06"):
            check_not_the_same({"north": north, "south": south})
    else:
        check_not_the_same({"north": north, "south": south})


def test_a_refusal_holds_no_key_of_a_stay_or_patient() -> None:
    with pytest.raises(AuditError) as found:
        check_not_the_same({"north": store(), "south": store("other")})
    assert "SN" not in str(found.value)
    assert "PN" not in str(found.value)


# --- another policy ---------------------------------------------------------------------------------------------


def test_every_threshold_that_differs_is_named_with_both_values_and_what_to_type() -> None:
    other = replace(POLICY, reading_carry_hours=4.0, retainer_pco2_above_kpa=6.5)
    stores = {"north": (NORTH, measured_by(empty_store(), POLICY)), "south": (SOUTH, measured_by(empty_store(), other))}
    with refused(
        "\n  south: reading_carry_hours 4 instead of 6 hours, retainer_pco2_above_kpa 6.5 instead of 6 kPa\n",
        "since no --policy was given",
        "bandaudit report --store south.duckdb --out FOLDER",
        "Nothing was changed",
    ) as _:
        check_policies(stores, POLICY, None)


def test_a_store_of_this_policy_is_not_named() -> None:
    other = replace(POLICY, small_count_below=5.0)
    stores = {"north": (NORTH, measured_by(empty_store(), POLICY)), "south": (SOUTH, measured_by(empty_store(), other))}
    with pytest.raises(AuditError) as found:
        check_policies(stores, POLICY, Path("own.toml"))
    assert "north:" not in str(found.value)
    assert "--store south.duckdb --policy own.toml" in str(found.value)


def test_stores_of_one_policy_pass_and_so_does_one_never_measured() -> None:
    never = empty_store()
    older = empty_store()
    older.execute("drop table policy_values")
    stores = {
        "north": (NORTH, measured_by(empty_store(), POLICY)),
        "south": (SOUTH, never),
        "west": (Path("west.duckdb"), older),
    }
    check_policies(stores, POLICY, None)


def test_a_threshold_that_another_version_did_not_know_is_no_other_policy() -> None:
    con = measured_by(empty_store(), POLICY)
    con.execute("delete from policy_values where name = 'gas_pair_hours'")
    con.execute("insert into policy_values values ('no_longer_known', 3, 'hours')")
    check_policies({"north": (NORTH, con)}, POLICY, None)


# --- names ------------------------------------------------------------------------------------------------------


def test_stores_are_named_by_their_files_and_by_their_folders_where_these_are_alike() -> None:
    paths = [Path("north/audit.duckdb"), Path("south/audit.duckdb"), Path("west.db")]
    assert store_names(paths) == ["north/audit", "south/audit", "west"]
    twice = [Path("a/x/audit.duckdb"), Path("b/x/audit.duckdb")]
    assert store_names(twice) == ["x/audit", "x/audit (2)"]
