"""The invented cohort written as FHIR bulk data comes back as the same rows, and as the same timeline."""

from functools import cache
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.intake.fhir.folder import fhir_files, fhir_sources
from pipeline.policy import read_policy
from pipeline.timeline import build_timeline
from pipeline.vocabulary import TABLES, Kind
from synthetic_data.cohort import Cohort, simulate
from tests.intake.fhir.cohort_as_fhir import write_cohort
from tests.intake.fhir.resources import pieces

ZONE = "Europe/London"
# What the standard has no place for, or no codes that are known here.
NOT_CARRIED = {"stays": ["specialty", "age_band"], "readings": ["ews_scale", "spo2_score", "source"]}
CARRIED = ("stays", "wards", "readings", "devices", "gases")


@cache
def cohort() -> Cohort:
    return simulate(stays=120)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_cohort(cohort().tables, tmp_path_factory.mktemp("fhir"))


def as_canonical(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    """Text rows as the cohort's own frames have them; a cell that cannot be read so is an error."""
    wanted = cohort().tables[table]
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    return rows.select(
        pl.col(name).str.to_datetime(time_zone="UTC").dt.replace_time_zone(None).cast(wanted.schema[name])
        if kinds[name] is Kind.TIME
        else pl.col(name).cast(pl.Float64 if wanted.schema[name].is_numeric() else wanted.schema[name])
        for name in wanted.columns
        if name in rows.columns
    )


def carried(table: str) -> pl.DataFrame:
    """The cohort's rows of a table as the standard can carry them."""
    return cohort().tables[table].drop(NOT_CARRIED.get(table, [])).cast({pl.Int64: pl.Float64})


def read_back(folder: Path) -> dict[str, pl.DataFrame]:
    found: dict[str, list[pl.DataFrame]] = {}
    for (table, _), rows in pieces(folder).items():
        assert rows["rule"].null_count() == rows.height, rows.filter(pl.col("rule").is_not_null())
        found.setdefault(table, []).append(as_canonical(rows, table))
    for table in ("targets", "flags", "devices"):
        beside = pl.read_csv(folder / f"{table}.csv", infer_schema=False)
        found.setdefault(table, []).append(as_canonical(beside, table))
    return {table: pl.concat(frames) for table, frames in found.items()}


def assert_carried(found: dict[str, pl.DataFrame], exact: bool = True) -> None:
    for table in CARRIED:
        wanted = carried(table)
        assert wanted.height >= 50
        assert_frame_equal(
            found[table].select(wanted.columns).sort(pl.all()), wanted.sort(pl.all()), check_exact=exact, rel_tol=1e-12
        )


def test_every_row_that_the_standard_can_carry_comes_back(folder: Path) -> None:
    assert fhir_files(folder)
    assert_carried(read_back(folder))


def test_most_device_records_are_carried_by_the_standard_and_not_by_the_side_file(folder: Path) -> None:
    by_standard = sum(rows.height for (table, _), rows in pieces(folder).items() if table == "devices")
    assert by_standard > 0.75 * cohort().tables["devices"].height


def test_the_same_pressures_come_back_from_mmhg(tmp_path: Path) -> None:
    assert_carried(read_back(write_cohort(cohort().tables, tmp_path, mmhg=True)), exact=False)


def test_the_timeline_is_the_same(folder: Path) -> None:
    tables = {name: frame.cast({pl.Int64: pl.Float64}) for name, frame in cohort().tables.items()}
    as_of = max(frame.select(pl.max_horizontal(pl.col(pl.Datetime).max())).item() for frame in tables.values())
    timelines = []
    for frames in (tables, read_back(folder)):
        # The store numbers stays in this order.
        stays = frames["stays"].with_columns(as_of=pl.lit(as_of)).sort("patient_key", "admitted_at", "stay_id")
        timeline = build_timeline({**frames, "stays": stays}, read_policy(), ZONE).joined()
        timelines.append(timeline.sort("stay_id", "started_at"))
    assert timelines[0].height > 4000
    assert_frame_equal(*timelines)


def test_a_file_has_one_fingerprint_for_all_its_tables(folder: Path) -> None:
    prints: dict[str, set[str]] = {}
    for source in fhir_sources(folder):
        prints.setdefault(source.name, set()).add(source.fingerprint())
    assert set(map(len, prints.values())) == {1}
    assert len(set.union(*prints.values())) == len(prints) == 3


def test_nothing_that_identifies_a_patient_is_read(folder: Path) -> None:
    """Names, numbers, addresses, notes and display texts stand in the files and in no frame."""
    secrets = ("Doe", "Jane", "943 476 5919", "01632 960 001", "1941-02-03", "Invented Street", "ZZ99", "words of")
    lines = "".join(path.read_text() for path in sorted(folder.glob("*.ndjson")))
    assert all(secret in lines for secret in secrets)
    for rows in pieces(folder).values():
        for text in rows.select(pl.col(pl.String).exclude("taken_at")).iter_columns():
            assert not text.str.contains_any(list(secrets)).any(), text.name
