"""The invented cohort written as OMOP tables comes back as the same rows, and as the same timeline."""

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.intake.load import load_extract
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from synthetic_data.cohort import Cohort, simulate
from synthetic_data.extract import write_extract
from tests.intake.omop.tables import ZONE, as_typed, collected, number_of, omop_tables, write_folder
from tests.stores import empty_store

# What the standard has no place for: specialty; score, scale and source of a reading. Targets and flags come beside.
NOT_CARRIED = {"stays": ["specialty"], "readings": ["ews_scale", "spo2_score", "source"]}
CARRIED = ("stays", "wards", "readings", "devices", "gases")


@cache
def cohort() -> Cohort:
    return simulate(stays=120)


def with_integer_keys(frame: pl.DataFrame) -> pl.DataFrame:
    """The pseudonym S00012 as 12, as the standard wants it."""
    return frame.with_columns(
        pl.col("^stay_id|patient_key$").map_elements(lambda key: str(number_of(key)), return_dtype=pl.String)
    )


def carried(table: str) -> pl.DataFrame:
    """The cohort's rows of a table as the standard can carry them."""
    frame = with_integer_keys(cohort().tables[table].drop(NOT_CARRIED.get(table, [])))
    return frame.with_columns(pl.col(pl.Int64).cast(pl.Float64))


def assert_carried(rows: Mapping[str, pl.DataFrame], exact: bool = True) -> None:
    for table in CARRIED:
        wanted = carried(table)
        found = as_typed(rows[table], table).select(wanted.columns)
        assert wanted.height >= 50
        assert_frame_equal(found.sort(pl.all()), wanted.sort(pl.all()), check_exact=exact, rel_tol=1e-6)


@pytest.mark.parametrize("form", ["csv", "csv.gz", "parquet"])
def test_every_row_that_the_standard_can_carry_comes_back(form: str, tmp_path: Path) -> None:
    sentences: list[str] = []
    folder = write_folder(tmp_path, omop_tables(cohort().tables), form, upper=form == "csv.gz")
    assert_carried(collected(folder, sentences))
    # Every row of every table was used.
    assert sentences == []


def test_the_same_rows_come_back_from_codes_and_units_as_source_values(tmp_path: Path) -> None:
    assert_carried(collected(write_folder(tmp_path, omop_tables(cohort().tables, by_code=True))))


def test_the_same_pressures_come_back_from_mmhg(tmp_path: Path) -> None:
    tables = omop_tables(cohort().tables, mmhg=True)
    assert tables["measurement"].filter(pl.col("unit_concept_id") == 8876).height > 50
    assert_carried(collected(write_folder(tmp_path, tables)), exact=False)


def test_the_same_rows_come_back_from_files_in_parts(tmp_path: Path) -> None:
    """Cut so that the values of some gases lie in two files: the gas is of the file with the first of them."""
    tables = omop_tables(cohort().tables)
    measured = tables.pop("measurement")
    is_ph = measured["measurement_concept_id"] == 3019977
    write_folder(tmp_path, tables)
    measured.filter(is_ph).write_csv(tmp_path / "measurement-b.csv")
    measured.filter(~is_ph).write_parquet(tmp_path / "MEASUREMENT-a.parquet")
    assert_carried(collected(tmp_path))


def timeline(folder: Path) -> list[tuple[Any, ...]]:
    """Every row of the timeline of an extract."""
    connection = empty_store(ZONE)
    result = load_extract(connection, folder, ZONE)
    assert result.kept_aside.is_empty()
    measure_store(connection, read_policy(None))
    return connection.execute("select * exclude (patient_key) from timeline order by stay_id, started_at").fetchall()


def test_the_timeline_is_the_same_with_targets_and_flags_from_files_beside(tmp_path: Path) -> None:
    write_extract(cohort(), tmp_path / "canonical", ZONE, dirty=False)
    rows = collected(write_folder(tmp_path / "omop", omop_tables(cohort().tables)))
    through = tmp_path / "through_omop"
    through.mkdir()
    for table, frame in rows.items():
        frame.drop("row_number", "rule", "fault_column").write_csv(through / f"{table}.csv")
    for table in ("targets", "flags"):
        beside = with_integer_keys(cohort().tables[table])
        beside.write_csv(through / f"{table}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    wanted = timeline(tmp_path / "canonical")
    assert len(wanted) > 3000
    found = [(f"S{int(row[0]):05d}", *row[1:]) for row in timeline(through)]
    assert sorted(found, key=lambda row: (row[0], row[4])) == wanted
