"""Rows that come more than once: the same again, or the same instant with other content."""

from pathlib import Path

import pytest

from pipeline.vocabulary import TABLES
from tests.intake.extracts import counts, csv_text, kept_aside, loaded, query, row, stored, stored_tables, write_extract

Capsys = pytest.CaptureFixture[str]

# For each table, a change that makes other content of the same row.
OTHER_CONTENT = {
    "stays": {"sex": "male"},
    "wards": {"ward": "Rowan ward"},
    "readings": {"spo2_percent": "95"},
    "devices": {"flow_l_min": ""},
    "targets": {"lower_percent": "87"},
    "gases": {"ph": "7.35"},
    "flags": {"until_at": ""},
}


def test_the_same_row_again_is_counted_as_a_repeat_and_stored_once(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract", **{table: [row(table)] * 3 for table in TABLES})
    loaded(capsys, extract, tmp_path / "s.duckdb")

    found = stored_tables(tmp_path / "s.duckdb")
    for table in TABLES:
        assert len(found[table]) == 1
        assert counts(tmp_path / "s.duckdb", f"{table}.csv") == (3, 1, 0, 2, 0)
    assert kept_aside(tmp_path / "s.duckdb") == []


def test_a_repeat_is_told_by_its_meaning_not_by_its_spelling(tmp_path: Path, capsys: Capsys) -> None:
    rows = [
        row("readings"),
        row("readings", spo2_percent="91.0", taken_at="2026-01-05T10:00:00Z", ews_scale="2.0"),
        row("readings", spo2_percent=" 91", taken_at="2026-01-05 11:00:00.7+01"),
    ]
    loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings.csv") == (3, 1, 0, 2, 0)


def test_rows_that_differ_only_in_columns_not_used_are_repeats(tmp_path: Path, capsys: Capsys) -> None:
    text = csv_text([row("readings", bed="B1"), row("readings", bed="B2")])
    loaded(capsys, write_extract(tmp_path / "extract", readings=text), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings.csv") == (2, 1, 0, 1, 0)


def test_conflicting_repeats_are_all_kept_aside(tmp_path: Path, capsys: Capsys) -> None:
    tables = [table for table in TABLES if table != "stays"]
    rows = {table: [row(table), row(table, **OTHER_CONTENT[table]), row(table)] for table in tables}
    loaded(capsys, write_extract(tmp_path / "extract", **rows), tmp_path / "s.duckdb")

    found = stored_tables(tmp_path / "s.duckdb", *tables)
    assert found == {table: [] for table in tables}
    assert kept_aside(tmp_path / "s.duckdb") == sorted(
        (f"{table}.csv", n, TABLES[table].at, "conflicting_repeat") for table in tables for n in (2, 3, 4)
    )


def test_conflicting_rows_of_one_stay_are_all_kept_aside_with_all_that_belongs_to_it(
    tmp_path: Path, capsys: Capsys
) -> None:
    stays = [row("stays"), row("stays", **OTHER_CONTENT["stays"]), row("stays", stay_id="ST-0002")]
    rows = [row("readings"), row("readings", stay_id="ST-0002")]
    loaded(capsys, write_extract(tmp_path / "extract", stays=stays, readings=rows), tmp_path / "s.duckdb")

    assert [stay["stay_id"] for stay in stored(tmp_path / "s.duckdb", "stays")] == ["ST-0002"]
    assert [found[1:] for found in kept_aside(tmp_path / "s.duckdb") if found[0] == "stays.csv"] == [
        (2, "admitted_at", "conflicting_repeat"),
        (3, "admitted_at", "conflicting_repeat"),
    ]
    assert ("readings.csv", 2, "stay_id", "unknown_stay") in kept_aside(tmp_path / "s.duckdb")


def test_repeats_are_found_across_the_files_of_a_table(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    later = row("readings", taken_at="2026-01-05 11:00")
    (extract / "readings-a.csv").write_text(csv_text([row("readings"), later]))
    (extract / "readings-b.csv").write_text(csv_text([row("readings"), later | {"spo2_percent": "96"}]))
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert len(stored(tmp_path / "s.duckdb", "readings")) == 1
    assert counts(tmp_path / "s.duckdb", "readings-a.csv") == (2, 1, 0, 0, 1)
    assert counts(tmp_path / "s.duckdb", "readings-b.csv") == (2, 0, 0, 1, 1)
    assert [found[:2] for found in kept_aside(tmp_path / "s.duckdb")] == [("readings-a.csv", 3), ("readings-b.csv", 3)]


def test_two_files_with_the_same_bytes_keep_their_own_rows_aside(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    text = csv_text([row("readings"), row("readings", spo2_percent="101")])
    (extract / "readings-a.csv").write_text(text)
    (extract / "readings-b.csv").write_text(text)
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings-b.csv") == (2, 0, 0, 1, 1)
    assert [found[:2] for found in kept_aside(tmp_path / "s.duckdb")] == [("readings-a.csv", 3), ("readings-b.csv", 3)]


def test_a_bad_row_is_bad_each_time_it_comes_and_does_not_harm_a_good_one(tmp_path: Path, capsys: Capsys) -> None:
    bad = row("readings", spo2_percent="101")
    loaded(capsys, write_extract(tmp_path / "extract", readings=[bad, row("readings"), bad]), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings.csv") == (3, 1, 0, 0, 2)
    assert [found[1:] for found in kept_aside(tmp_path / "s.duckdb")] == [
        (2, "spo2_percent", "out_of_range"),
        (4, "spo2_percent", "out_of_range"),
    ]


def test_two_flags_set_at_one_instant_are_two_flags(tmp_path: Path, capsys: Capsys) -> None:
    flags = [row("flags"), row("flags", flag="oxygen_alert"), row("flags", flag="theatre", until_at="")]
    loaded(capsys, write_extract(tmp_path / "extract", flags=flags), tmp_path / "s.duckdb")

    assert [flag["flag"] for flag in stored(tmp_path / "s.duckdb", "flags")] == ["copd", "oxygen_alert", "theatre"]


def test_readings_of_two_stays_at_one_instant_do_not_meet(tmp_path: Path, capsys: Capsys) -> None:
    stays = [row("stays"), row("stays", stay_id="ST-0002")]
    rows = [row("readings"), row("readings", stay_id="ST-0002", spo2_percent="97")]
    loaded(capsys, write_extract(tmp_path / "extract", stays=stays, readings=rows), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings.csv") == (2, 2, 0, 0, 0)


def test_the_reason_of_a_conflict_is_told(tmp_path: Path, capsys: Capsys) -> None:
    rows = [row("readings"), row("readings", spo2_percent="95")]
    outcome = loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")

    assert "2 x another row has the same stay and instant but other content (row 2, 3)" in outcome.out
    assert query(tmp_path / "s.duckdb", "select distinct reason from rejected_rows") == [
        ("another row has the same stay and instant but other content",)
    ]
