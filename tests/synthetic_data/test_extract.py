"""The written extract: formats, the way back to the cohort's own frames, and the planted faults."""

import gzip
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.intake.load import load_extract
from pipeline.store import open_store
from pipeline.vocabulary import TABLES, Kind
from synthetic_data.cohort import Cohort
from synthetic_data.extract import planted_faults, write_extract, write_truth

ZONE = "Europe/London"


@pytest.fixture(scope="module")
def extract(cohort: Cohort, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("extract")
    write_extract(cohort, folder)
    return folder


def _unpacked(file: Path) -> bytes:
    return gzip.decompress(file.read_bytes()) if file.suffix == ".gz" else file.read_bytes()


def _read_back(folder: Path, table: str) -> pl.DataFrame:
    """One table of a clean extract as a reader would take it: local times to UTC, the earlier of two."""
    files = sorted(path for path in folder.iterdir() if path.name.startswith(table))
    frames = []
    for file in files:
        if file.suffix == ".parquet":
            frames.append(pl.read_parquet(file))
        elif file.suffix == ".xlsx":
            frames.append(pl.read_excel(file, engine="calamine"))
        else:
            frames.append(pl.read_csv(_unpacked(file), infer_schema_length=None))
    frame = pl.concat(frames)
    for column in TABLES[table].columns:
        if column.kind is Kind.TIME:
            time = pl.col(column.name)
            if frame.schema[column.name] == pl.String:
                time = time.str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us")
            if getattr(frame.schema[column.name], "time_zone", None) is None:
                time = time.dt.replace_time_zone(ZONE, ambiguous="earliest")
            frame = frame.with_columns(
                time.dt.convert_time_zone("UTC").dt.replace_time_zone(None).dt.cast_time_unit("us")
            )
    return frame


@pytest.mark.parametrize("table", list(TABLES))
def test_a_clean_extract_turns_back_into_the_cohort(
    cohort: Cohort, table: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp() / "clean"
    if not folder.exists():
        write_extract(cohort, folder, dirty=False)
    order = ["stay_id", *TABLES[table].identity]
    there = _read_back(folder, table).sort(order, maintain_order=True)
    assert_frame_equal(there, cohort.tables[table].sort(order, maintain_order=True), check_dtypes=False)


def test_the_intake_finds_exactly_the_planted_faults(cohort: Cohort, extract: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "audit.duckdb", create=True) as store:
        result = load_extract(store, extract, ZONE)
        rejected = store.execute("select table_name, rule, count(*) from rejected_rows group by all").fetchall()
    found: dict[str, dict[str, int]] = {table: {} for table in TABLES}
    for table, rule, count in rejected:
        found[table][rule] = count
    for table, repeats in result.files.group_by("table_name").agg(pl.col("rows_repeated").sum()).iter_rows():
        found[table]["exact_repeat"] = repeats
    assert found == planted_faults()
    stored = dict(result.files.group_by("table_name").agg(pl.col("rows_stored").sum()).iter_rows())
    assert stored == {table: frame.height for table, frame in cohort.tables.items()}
    assert result.strangers == []
    # Rows of the true cohort at local 01:30 on 26 October 2025, an instant that comes twice.
    assert result.files["times_ambiguous"].sum() > 0


def test_every_kind_of_fault_is_planted() -> None:
    kinds = {rule for rules in planted_faults().values() for rule in rules}
    assert kinds == {
        "missing_required",
        "not_a_number",
        "not_a_time",
        "out_of_range",
        "unknown_code",
        "unknown_stay",
        "outside_the_stay",
        "ends_before_it_starts",
        "conflicting_repeat",
        "local_time_does_not_exist",
        "exact_repeat",
    }


def test_each_format_is_used_and_the_truth_lies_elsewhere(cohort: Cohort, extract: Path, tmp_path: Path) -> None:
    names = sorted(path.name for path in extract.iterdir())
    months = [f"readings-{year}-{month:02d}.csv.gz" for year, month in _months()]
    assert names == sorted(
        ["stays.csv", "wards.csv", "devices.csv", "targets.csv", "gases.parquet", "flags.xlsx", *months]
    )
    write_truth(cohort, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["truth_band_time.csv", "truth_episodes.csv"]
    episodes = pl.read_csv(tmp_path / "truth_episodes.csv")
    assert episodes["started_at"].str.contains(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$").all()


def _months() -> list[tuple[int, int]]:
    return [(2025, month) for month in range(7, 13)] + [(2026, month) for month in range(1, 7)]


def test_local_times_are_written_on_both_sides_of_the_clock_changes(extract: Path) -> None:
    october = pl.read_csv(_unpacked(extract / "readings-2025-10.csv.gz"), infer_schema=False)
    assert october["taken_at"].str.starts_with("2025-10-26 01:30:00").sum() > 5
    march = pl.read_csv(_unpacked(extract / "readings-2026-03.csv.gz"), infer_schema=False)
    # Clocks skip 01:00-02:00 on 29 March 2026: only the planted row has such a time.
    assert march["taken_at"].str.starts_with("2026-03-29 01").sum() == 1
