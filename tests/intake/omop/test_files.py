"""OMOP tables as files: forms and types, row numbers, fingerprints, and how a folder of them is told."""

from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.intake.omop.folder import is_omop_folder, omop_sources
from tests.intake.omop.rows import DEVICE, PERCENT, PH, STAY, VALUE, rows_of, value
from tests.intake.omop.tables import collected, write_rows

# --- files ------------------------------------------------------------------------------------------------------------


def test_typed_columns_of_parquet_are_read_as_their_text_would_be(tmp_path: Path) -> None:
    """Keys as floating-point numbers beside empty cells, as pandas writes them; zoned times; decimals."""
    write_rows(tmp_path, visit_occurrence=[STAY])
    pl.DataFrame(
        {
            "VISIT_OCCURRENCE_ID": [1.0, None],
            "MEASUREMENT_CONCEPT_ID": [40762499.0, 40762499.0],
            "MEASUREMENT_DATETIME": [datetime(2026, 1, 5, 10, 0, 0, 500_000)] * 2,
            "VALUE_AS_NUMBER": [91.5, float("nan")],
            "UNIT_CONCEPT_ID": [PERCENT, PERCENT],
            "NOTES": [["not"], ["read"]],
        }
    ).with_columns(
        pl.col("MEASUREMENT_DATETIME").dt.replace_time_zone("UTC"),
        pl.col("VALUE_AS_NUMBER").fill_nan(None).cast(pl.Decimal(10, 2)),
    ).write_parquet(tmp_path / "MEASUREMENT.parquet")
    rows = collected(tmp_path)["readings"]
    assert rows.select("row_number", "stay_id", "taken_at", "spo2_percent").rows() == [
        (1, "1", "2026-01-05 10:00:00Z", "91.5"),
        (2, None, "2026-01-05 10:00:00Z", None),
    ]


def test_keys_written_as_decimals_are_the_same_keys(tmp_path: Path) -> None:
    measurement = [{**VALUE, "visit_occurrence_id": "1.0", "measurement_concept_id": "40762499.0"}]
    assert [row["stay_id"] for row in rows_of(tmp_path, "readings", measurement=measurement)] == ["1"]


def test_rows_of_another_length_than_the_header_are_given_once_and_keep_their_numbers(tmp_path: Path) -> None:
    write_rows(tmp_path, visit_occurrence=[STAY], measurement=[VALUE, VALUE])
    with (tmp_path / "measurement.csv").open("a") as file:
        file.write("1,2\n")
        file.write(",".join(str(VALUE[name] or "") for name in VALUE) + "\n")
    ragged: list[Any] = []
    numbers = {}
    for source in omop_sources(tmp_path):
        numbers[source.table] = [n for piece in source.pieces(ragged) for n in piece["row_number"].to_list()]
    assert numbers["readings"] == [2, 3, 5]
    assert [row.row_number for row in ragged] == [4]


def test_sources_can_be_read_in_turns_and_twice(tmp_path: Path) -> None:
    folder = write_rows(tmp_path, visit_occurrence=[STAY], measurement=[VALUE, value(PH, 7.3)])
    sources = {source.table: source for source in omop_sources(folder)}
    first, second = sources["readings"].pieces([]), sources["gases"].pieces([])
    assert next(first).height == next(second).height == 1
    assert [piece.height for piece in sources["readings"].pieces([])] == [1]


def test_a_fingerprint_changes_with_every_file_that_the_rows_are_made_of_and_with_no_other(tmp_path: Path) -> None:
    person = {"person_id": 10, "gender_concept_id": 8532}
    write_rows(tmp_path, visit_occurrence=[STAY], measurement=[VALUE], device_exposure=[DEVICE], person=[person])
    before = {source.table: source.fingerprint() for source in omop_sources(tmp_path)}
    write_rows(tmp_path, person=[{**person, "gender_concept_id": 8507}])
    after = {source.table: source.fingerprint() for source in omop_sources(tmp_path)}
    assert {table for table in before if before[table] != after[table]} == {"stays"}
    write_rows(tmp_path, measurement=[VALUE, VALUE])
    last = {source.table: source.fingerprint() for source in omop_sources(tmp_path)}
    assert {table for table in after if after[table] != last[table]} == {"readings", "gases", "devices"}


def test_a_folder_is_told_by_its_visits(tmp_path: Path) -> None:
    assert not is_omop_folder(tmp_path / "missing")
    assert not is_omop_folder(write_rows(tmp_path / "a", readings=[VALUE], visits=[STAY]))
    assert is_omop_folder(write_rows(tmp_path / "b", VISIT_OCCURRENCE=[STAY]))
    (tmp_path / "c").mkdir()
    pl.DataFrame([STAY]).write_parquet(tmp_path / "c" / "visit_occurrence-2026-01.parquet")
    assert is_omop_folder(tmp_path / "c")
