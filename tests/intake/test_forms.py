"""One extract in every form an export can take ends as the same rows in the store."""

import gzip
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter

from pipeline.vocabulary import TABLES, Kind
from tests.intake.extracts import (
    ORDINARY,
    counts,
    csv_text,
    dump,
    kept_aside,
    loaded,
    query,
    readings,
    row,
    stored,
    stored_tables,
    write_extract,
)

Capsys = pytest.CaptureFixture[str]
EVERY_TABLE = {name: [dict(cells)] for name, cells in ORDINARY.items()}


def _typed(table: str, cells: dict[str, str]) -> dict[str, Any]:
    """A row as a database would hand it over: timestamps, numbers, text."""
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    kinds |= {"ews_scale": Kind.NUMBER, "spo2_score": Kind.NUMBER}
    convert = {Kind.TIME: datetime.fromisoformat, Kind.NUMBER: float}
    return {name: convert.get(kinds[name], str)(cell) for name, cell in cells.items()}


def _write_parquet(folder: Path) -> None:
    for table, cells in ORDINARY.items():
        pl.DataFrame([_typed(table, dict(cells))]).write_parquet(folder / f"{table}.parquet")


def _write_excel(folder: Path) -> None:
    for table, cells in ORDINARY.items():
        write_workbook(folder / f"{table}.xlsx", [list(cells), list(_typed(table, dict(cells)).values())])


def write_workbook(path: Path, rows: list[list[Any]], first_row: int = 0) -> None:
    """A workbook with these cells in its first sheet, dates as date cells, and a second sheet that is not read."""
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet("extract")
        book.add_worksheet("notes").write(0, 0, "not a table")
        date = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
        for line, cells in enumerate(rows, start=first_row):
            for place, cell in enumerate(cells):
                if isinstance(cell, datetime):
                    sheet.write_datetime(line, place, cell, date)
                elif cell is not None:
                    sheet.write(line, place, cell)


def _write_gzip(folder: Path) -> None:
    for table, rows in EVERY_TABLE.items():
        (folder / f"{table}-2026-01.csv.gz").write_bytes(gzip.compress(csv_text(rows).encode()))


def _write_with_mark_and_line_ends(folder: Path) -> None:
    for table, rows in EVERY_TABLE.items():
        text = csv_text(rows).replace("\n", "\r\n")
        (folder / f"{table}.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())


def _write_with_blanks_and_quotes(folder: Path) -> None:
    for table, rows in EVERY_TABLE.items():
        header, line = csv_text(rows).splitlines()
        spaced = ",".join(f' "{cell}" ' if place % 2 else f" {cell} " for place, cell in enumerate(header.split(",")))
        quoted = ",".join(f'"  {cell} "' for cell in line.split(","))
        (folder / f"{table}.csv").write_text(f"{spaced.replace(chr(34), '')}\n{quoted}\n")


@pytest.mark.parametrize(
    "write",
    [_write_gzip, _write_parquet, _write_excel, _write_with_mark_and_line_ends, _write_with_blanks_and_quotes],
)
def test_every_form_gives_the_rows_of_plain_csv(tmp_path: Path, capsys: Capsys, write: Any) -> None:
    plain = write_extract(tmp_path / "plain", **EVERY_TABLE)
    other = tmp_path / "other"
    other.mkdir()
    write(other)

    loaded(capsys, plain, tmp_path / "plain.duckdb")
    loaded(capsys, other, tmp_path / "other.duckdb")

    expected = stored_tables(tmp_path / "plain.duckdb")
    assert [len(rows) for rows in expected.values()] == [1] * len(TABLES)
    assert stored_tables(tmp_path / "other.duckdb") == expected


def test_the_ordinary_row_arrives_typed_and_whole(tmp_path: Path, capsys: Capsys) -> None:
    loaded(capsys, write_extract(tmp_path / "extract", **EVERY_TABLE), tmp_path / "s.duckdb")

    assert stored(tmp_path / "s.duckdb", "readings") == [
        {
            "stay_id": "ST-0001",
            "taken_at": datetime(2026, 1, 5, 10, 0),
            "spo2_percent": 91.0,
            "respiratory_rate": 18.0,
            "ews_scale": 2,
            "spo2_score": 0,
            "source": "spot",
        }
    ]
    [device] = stored(tmp_path / "s.duckdb", "devices")
    assert (device["fio2_fraction"], device["flow_l_min"]) == (0.28, 4.0)


def test_naive_timestamps_of_parquet_are_local_and_zoned_ones_are_not(tmp_path: Path, capsys: Capsys) -> None:
    # In July, London is an hour ahead of UTC.
    extract = write_extract(
        tmp_path / "extract",
        stays=[row("stays", admitted_at="2026-07-01 00:00", discharged_at="")],
        targets=[row("targets", prescribed_at="2026-07-01 00:00", stopped_at="")],
    )
    (extract / "readings.csv").unlink()
    noon = datetime(2026, 7, 1, 12, 0, 0, 900_000)
    ahead = timezone(timedelta(hours=5, minutes=30))
    for name, times in {
        "naive": pa.array([noon], pa.timestamp("us")),
        "milliseconds": pa.array([noon + timedelta(minutes=1)], pa.timestamp("ms")),
        "utc": pa.array([noon + timedelta(minutes=2)], pa.timestamp("ns", "UTC")),
        "zone": pa.array([noon.replace(minute=3, tzinfo=UTC)], pa.timestamp("us", "Europe/Paris")),
        "offset": pa.array([noon.replace(minute=4, tzinfo=ahead)], pa.timestamp("us", "+05:30")),
    }.items():
        table = pa.table({"stay_id": ["ST-0001"], "taken_at": times, "spo2_percent": [95]})
        pq.write_table(table, extract / f"readings-{name}.parquet")

    loaded(capsys, extract, tmp_path / "s.duckdb")

    taken = [reading["taken_at"] for reading in stored(tmp_path / "s.duckdb", "readings")]
    assert taken == [
        datetime(2026, 7, 1, 6, 34),
        datetime(2026, 7, 1, 11, 0),
        datetime(2026, 7, 1, 11, 1),
        datetime(2026, 7, 1, 12, 2),
        datetime(2026, 7, 1, 12, 3),
    ]


def test_keys_and_codes_that_arrive_as_floats_are_whole_numbers_again(tmp_path: Path, capsys: Capsys) -> None:
    # A column of whole numbers with an empty cell becomes one of floats in many tools.
    extract = write_extract(
        tmp_path / "extract", stays=[row("stays", stay_id="1001")], targets=[row("targets", stay_id="1001")]
    )
    (extract / "readings.csv").unlink()
    frame = pl.DataFrame(
        {
            "stay_id": [1001.0, None],
            "taken_at": [datetime(2026, 1, 5, 10), datetime(2026, 1, 5, 11)],
            "spo2_percent": [91, 92],
            "ews_scale": [2.0, 1.0],
            "respiratory_rate": [float("nan"), 20.0],
        }
    )
    frame.write_parquet(extract / "readings.parquet")

    loaded(capsys, extract, tmp_path / "s.duckdb")

    [reading] = stored(tmp_path / "s.duckdb", "readings")
    assert (reading["stay_id"], reading["ews_scale"], reading["respiratory_rate"]) == ("1001", 2, None)
    assert kept_aside(tmp_path / "s.duckdb") == [("readings.parquet", 2, "stay_id", "missing_required")]


def test_single_precision_and_exact_decimals_of_parquet_keep_the_charted_value(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    from decimal import Decimal

    for name, values in {
        "single": pa.array([0.28], pa.float32()),
        "decimal": pa.array([Decimal("0.28")], pa.decimal128(4, 2)),
        "text": pa.array(["0.28"]),
        "categories": pa.array(["0.28"]).dictionary_encode(),
    }.items():
        started = datetime(2026, 1, 5, 10, len(name))
        table = pa.table(
            {"stay_id": ["ST-0001"], "started_at": [started], "device": ["nasal_cannula"], "fio2_fraction": values}
        )
        pq.write_table(table, extract / f"devices-{name}.parquet")

    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert [device["fio2_fraction"] for device in stored(tmp_path / "s.duckdb", "devices")] == [0.28] * 4


def test_parquet_row_numbers_begin_at_one_and_run_through_all_pieces(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.intake.parquet_frames._ROWS", 3)
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    rows = [_typed("readings", cells) for cells in readings(10)]
    rows[0]["spo2_percent"] = 101.0
    rows[7]["source"] = "guess"
    pl.DataFrame(rows).write_parquet(extract / "readings.parquet")

    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert kept_aside(tmp_path / "s.duckdb") == [
        ("readings.parquet", 1, "spo2_percent", "out_of_range"),
        ("readings.parquet", 8, "source", "unknown_code"),
    ]


def test_rows_of_a_parquet_file_kept_aside_are_stored_as_readable_cells(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    pl.DataFrame([_typed("readings", row("readings", spo2_percent="101"))]).write_parquet(extract / "readings.parquet")

    loaded(capsys, extract, tmp_path / "s.duckdb")

    [(taken_at, spo2)] = query(
        tmp_path / "s.duckdb", "select cells->>'$.taken_at', cells->>'$.spo2_percent' from rejected_rows"
    )
    assert (taken_at, spo2) == ("2026-01-05 10:00:00", "101")


def test_excel_row_numbers_are_those_the_spreadsheet_shows(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    first = _typed("readings", row("readings"))
    bad = first | {"taken_at": datetime(2026, 1, 5, 11), "spo2_percent": "9O"}
    write_workbook(
        extract / "readings.xlsx", [list(first), list(first.values()), [], list(bad.values()), [None, None], []]
    )

    loaded(capsys, extract, tmp_path / "s.duckdb")

    # An empty row is no row, but the spreadsheet numbers it.
    assert kept_aside(tmp_path / "s.duckdb") == [("readings.xlsx", 4, "spo2_percent", "not_a_number")]
    assert counts(tmp_path / "s.duckdb", "readings.xlsx") == (2, 1, 0, 0, 1)


def test_every_second_of_a_day_survives_a_spreadsheet(tmp_path: Path, capsys: Capsys) -> None:
    # Date cells are fractions of a day in binary; none may lose a second when fractions of seconds are dropped.
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    times = [datetime(2026, 1, 6) + timedelta(seconds=seconds) for seconds in range(0, 86_400, 7)]
    write_workbook(
        extract / "readings.xlsx",
        [["stay_id", "taken_at", "spo2_percent"], *(["ST-0001", at, 95] for at in times)],
    )

    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert [reading["taken_at"] for reading in stored(tmp_path / "s.duckdb", "readings")] == times


def test_several_files_of_one_table_are_read_as_one(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    all_readings = readings(6)
    (extract / "readings-2026-01.csv").write_text(csv_text(all_readings[:2]))
    (extract / "readings-2026-02.csv.gz").write_bytes(gzip.compress(csv_text(all_readings[2:4]).encode()))
    pl.DataFrame([_typed("readings", cells) for cells in all_readings[4:]]).write_parquet(
        extract / "readings-2026-03.parquet"
    )

    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert len(stored(tmp_path / "s.duckdb", "readings")) == 6
    for name in ("readings-2026-01.csv", "readings-2026-02.csv.gz", "readings-2026-03.parquet"):
        assert counts(tmp_path / "s.duckdb", name) == (2, 2, 0, 0, 0)


def test_a_gzip_file_of_several_members_is_read_to_its_end(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    text = csv_text(readings(40)).encode()
    (extract / "readings.csv.gz").write_bytes(gzip.compress(text[:700]) + gzip.compress(text[700:]))

    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert len(stored(tmp_path / "s.duckdb", "readings")) == 40


def test_quoted_commas_quotation_marks_and_line_breaks_stay_in_their_cell(tmp_path: Path, capsys: Capsys) -> None:
    wards = [
        row("wards", ward='Hazel, "upper" deck'),
        row("wards", ward="two\nlines", entered_at="2026-01-05 09:30"),
    ]
    loaded(capsys, write_extract(tmp_path / "extract", wards=wards), tmp_path / "s.duckdb")

    assert [ward["ward"] for ward in stored(tmp_path / "s.duckdb", "wards")] == ['Hazel, "upper" deck', "two\nlines"]


def test_line_ends_and_the_last_line_make_no_difference(tmp_path: Path, capsys: Capsys) -> None:
    extract, lines = write_extract(tmp_path / "extract"), csv_text(readings(36)).splitlines()
    (extract / "readings.csv").unlink()
    names = []
    for line_end in ("\n", "\r\n", "\r"):
        for last in ("", line_end, line_end * 3):
            first = 1 + 4 * len(names)
            names.append(f"readings-{len(names)}.csv")
            text = line_end.join([lines[0], *lines[first : first + 4]]) + last
            (extract / names[-1]).write_bytes(text.encode())
    loaded(capsys, extract, tmp_path / "s.duckdb")

    for name in names:
        assert counts(tmp_path / "s.duckdb", name) == (4, 4, 0, 0, 0)
    assert len(stored(tmp_path / "s.duckdb", "readings")) == 36


def test_optional_columns_may_be_absent_or_empty_alike(tmp_path: Path, capsys: Capsys) -> None:
    required = {
        name: [{c.name: cells[c.name] for c in TABLES[name].columns if c.required}] for name, cells in ORDINARY.items()
    }
    absent = tmp_path / "absent"
    absent.mkdir()
    for name, rows in required.items():
        (absent / f"{name}.csv").write_text(csv_text(rows))
    empty = write_extract(
        tmp_path / "empty",
        **{
            name: [dict.fromkeys(ORDINARY[name], "") | rows[0], dict.fromkeys(ORDINARY[name], "  ") | rows[0]]
            for name, rows in required.items()
        },
    )

    loaded(capsys, absent, tmp_path / "absent.duckdb")
    loaded(capsys, empty, tmp_path / "empty.duckdb")

    found = stored_tables(tmp_path / "absent.duckdb")
    assert stored_tables(tmp_path / "empty.duckdb") == found
    for table, [only] in found.items():
        assert all(only[c.name] is None for c in TABLES[table].columns if not c.required)


def test_missing_optional_tables_are_named(tmp_path: Path, capsys: Capsys) -> None:
    outcome = loaded(capsys, write_extract(tmp_path / "extract", wards=[row("wards")]), tmp_path / "s.duckdb")

    assert "No file for: devices, gases, flags." in outcome.out
    assert stored(tmp_path / "s.duckdb", "gases") == []


def test_files_and_columns_that_are_not_known_are_named_and_left_alone(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(
        tmp_path / "extract", readings=csv_text([row("readings", bed="B7", monitor_no="12345")]), wards=[row("wards")]
    )
    (extract / "Readings_old.csv").write_text("anything at all")
    (extract / "observations.csv").write_text("a,b\n1,2\n")
    (extract / ".hidden").write_text("")
    (extract / "gases.csv").mkdir()

    outcome = loaded(capsys, extract, tmp_path / "s.duckdb")

    assert "Columns of readings.csv that the audit does not use: bed, monitor_no." in outcome.out
    assert "Readings_old.csv, gases.csv, observations.csv" in outcome.out
    assert ".hidden" not in outcome.out
    assert len(stored(tmp_path / "s.duckdb", "readings")) == 1


def test_a_column_without_a_name_is_a_column_not_used(tmp_path: Path, capsys: Capsys) -> None:
    # Spreadsheets write a comma too many at the end of every line.
    text = "".join(f"{line},\n" for line in csv_text(readings(2)).splitlines())
    outcome = loaded(capsys, write_extract(tmp_path / "extract", readings=text), tmp_path / "s.duckdb")

    assert "column 8 (untitled)" in outcome.out
    assert counts(tmp_path / "s.duckdb", "readings.csv") == (2, 2, 0, 0, 0)


def test_columns_may_stand_in_any_order(tmp_path: Path, capsys: Capsys) -> None:
    shuffled = csv_text([row("readings")], columns=list(reversed(ORDINARY["readings"])))
    loaded(capsys, write_extract(tmp_path / "a", readings=shuffled), tmp_path / "a.duckdb")
    loaded(capsys, write_extract(tmp_path / "b"), tmp_path / "b.duckdb")

    assert stored(tmp_path / "a.duckdb", "readings") == stored(tmp_path / "b.duckdb", "readings")


def test_a_table_with_a_header_and_no_row_is_an_empty_table(tmp_path: Path, capsys: Capsys) -> None:
    header = csv_text([row("wards")]).splitlines()[0]
    for name, text in {"with": header + "\n", "without": header}.items():
        extract = write_extract(tmp_path / name, wards=text)
        loaded(capsys, extract, tmp_path / f"{name}.duckdb")
        assert counts(tmp_path / f"{name}.duckdb", "wards.csv") == (0, 0, 0, 0, 0)


def test_the_same_rows_in_another_form_are_already_stored(tmp_path: Path, capsys: Capsys) -> None:
    loaded(capsys, write_extract(tmp_path / "plain", **EVERY_TABLE), tmp_path / "s.duckdb")
    before = dump(tmp_path / "s.duckdb")
    other = tmp_path / "other"
    other.mkdir()
    _write_parquet(other)

    outcome = loaded(capsys, other, tmp_path / "s.duckdb")

    assert "nothing has changed" in outcome.out
    after = dump(tmp_path / "s.duckdb")
    assert {name for name in after if after[name] != before[name]} == {"load_ledger", "load_verdicts"}
    assert query(
        tmp_path / "s.duckdb",
        "select rows_read, rows_stored, rows_already_stored, count(*) from load_ledger where load_no = 2 group by all",
    ) == [(1, 0, 1, len(TABLES))]
