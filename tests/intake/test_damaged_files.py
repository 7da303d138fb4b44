"""Files that are not as agreed: each stops the load with a message that says what, where, why and what to do."""

import gzip
import os
import random
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.intake.extracts import Outcome, counts, csv_text, load, loaded, readings, refused, row, write_extract
from tests.intake.test_forms import write_workbook

Capsys = pytest.CaptureFixture[str]

TEXT = csv_text(readings(50))
HEADER, *LINES = TEXT.splitlines()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", ["does not begin with a header row", "Export it again"]),
        (b"\n\n", ["does not begin with a header row"]),
        (b" , ,\nST-0001,x,y\n", ["does not begin with a header row"]),
        (("\n" + TEXT).encode(), ["does not begin with a header row"]),
        ("\n".join(LINES).encode(), ["none of the column names of readings", "Put a header row"]),
        (TEXT.replace(",", ";").encode(), ["does not separate its columns by commas"]),
        (TEXT.replace(",", "\t").encode(), ["does not separate its columns by commas"]),
        (TEXT.replace(",", "|").encode(), ["does not separate its columns by commas"]),
        (TEXT.encode("utf-16"), ["UTF-16", "Save it as CSV in UTF-8"]),
        (TEXT.encode("utf-16-le"), ["UTF-16", "Save it as CSV in UTF-8"]),
        (TEXT.encode("utf-32"), ["UTF-16", "Save it as CSV in UTF-8"]),
        ((TEXT + LINES[0].replace("spot", "Zürich")).encode("latin-1"), ["line 52", "UTF-8", "Latin-1"]),
        ((TEXT + "ST-0001,Zürich").encode("latin-1"), ["line 52", "UTF-8", "Latin-1"]),
        (("stéy_id," + TEXT).encode("latin-1"), ["UTF-8"]),
        (gzip.compress(TEXT.encode()), ["UTF-8"]),
        (TEXT.replace(",91,18,2,0,spot\n" + LINES[31], ',"91,18\n' + LINES[31]).encode(), ["quotation mark", "row 32"]),
        (TEXT.replace("spot\n" + LINES[31], '"spot\n' + LINES[31]).encode(), ["quotation mark", "row 32", "closed"]),
        (TEXT.replace("spo2_percent", "spo2").encode(), ["lacks the required column spo2_percent (perhaps 'spo2')"]),
        (TEXT.replace("stay_id", "Stay ID").encode(), ["lacks the required column stay_id (perhaps 'Stay ID')"]),
        (TEXT.replace("taken_at", "bed").encode(), ["lacks the required column taken_at.", "Expected for readings"]),
        (TEXT.replace("taken_at", "bed").replace("spo2_percent", "x").encode(), ["columns taken_at, spo2_percent"]),
        (TEXT.replace("source", "taken_at").encode(), ["same column name more than once: taken_at", "Keep one"]),
        (TEXT.replace("ews_scale", " source ").encode(), ["same column name more than once: source"]),
    ],
)  # fmt: skip
def test_a_damaged_csv_file_stops_the_load(tmp_path: Path, capsys: Capsys, content: bytes, says: list[str]) -> None:
    extract = write_extract(tmp_path / "extract", readings=content)
    refused(capsys, extract, tmp_path / "s.duckdb", says=["readings.csv", "nothing was stored", *says])
    assert not (tmp_path / "s.duckdb").exists()


def _in_form(folder: Path, name: str, write: Callable[[Path], object]) -> Path:
    extract = write_extract(folder)
    (extract / "readings.csv").unlink()
    write(extract / name)
    return extract


_ZIPPED = gzip.compress(TEXT.encode())


def _parquet_bytes() -> bytes:
    stream = pa.BufferOutputStream()
    table = pa.table({"stay_id": ["ST-0001"] * 9, "taken_at": ["x"] * 9, "spo2_percent": [9] * 9})
    pq.write_table(table, stream, compression="none")
    return stream.getvalue().to_pybytes()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("readings.csv.gz", b"", ["does not begin with a header row"]),
        ("readings.csv.gz", gzip.compress(b"", mtime=0), ["does not begin with a header row"]),
        ("readings.csv.gz", TEXT.encode(), ["cut short or not gzip"]),
        ("readings.csv.gz", _ZIPPED[: len(_ZIPPED) // 2], ["cut short or not gzip"]),
        ("readings.csv.gz", _ZIPPED[:-4], ["cut short or not gzip"]),
        ("readings.csv.gz", _ZIPPED[:-8] + b"\0" * 8, ["cut short or not gzip"]),
        ("readings.csv.gz", gzip.compress(TEXT.encode("utf-16")), ["UTF-16"]),
        ("readings.parquet", b"", ["not a Parquet file"]),
        ("readings.parquet", TEXT.encode(), ["not a Parquet file"]),
        ("readings.parquet", _parquet_bytes()[:-100], ["not a Parquet file"]),
        ("readings.parquet", _parquet_bytes().replace(b"taken_at", b"\x95aken_at"), ["damaged"]),
        ("readings.parquet", _parquet_bytes().replace(b"ST-0001", b"ST-\xff001"), ["damaged"]),
        ("readings.parquet", b"PAR1" + bytes(500) + _parquet_bytes()[504:], ["damaged"]),
        ("readings.xlsx", b"", ["not an Excel workbook"]),
        ("readings.xlsx", TEXT.encode(), ["not an Excel workbook"]),
        ("readings.xlsx", b"PK\x03\x04" + bytes(100), ["not an Excel workbook"]),
    ],
)
def test_a_damaged_file_of_another_form_stops_the_load(
    tmp_path: Path, capsys: Capsys, name: str, content: bytes, says: list[str]
) -> None:
    extract = _in_form(tmp_path / "extract", name, lambda path: path.write_bytes(content))
    refused(capsys, extract, tmp_path / "s.duckdb", says=[name, "nothing was stored", *says])


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([], ["does not begin with a header row"]),
        ([[None, None]], ["does not begin with a header row"]),
        ([["stay_id", "taken_at", "taken_at", "spo2_percent"]], ["more than once: taken_at"]),
        ([["ST-0001", datetime(2026, 1, 5, 10), 95]], ["none of the column names"]),
        ([["stay_id", "taken_at", "SpO2"]], ["spo2_percent (perhaps 'SpO2')"]),
    ],
)
def test_a_workbook_with_a_bad_header_stops_the_load(
    tmp_path: Path, capsys: Capsys, rows: list[list[object]], says: list[str]
) -> None:
    extract = _in_form(tmp_path / "extract", "readings.xlsx", lambda path: write_workbook(path, rows))
    message = refused(capsys, extract, tmp_path / "s.duckdb", says=["readings.xlsx", "nothing was stored", *says])
    assert "ST-0001" not in message


def test_a_workbook_with_empty_rows_above_the_header_is_refused_with_the_reason(tmp_path: Path, capsys: Capsys) -> None:
    rows: list[list[object]] = [["stay_id", "taken_at", "spo2_percent"], ["ST-0001", datetime(2026, 1, 5, 10), 95]]
    extract = _in_form(tmp_path / "extract", "readings.xlsx", lambda path: write_workbook(path, rows, first_row=2))
    refused(capsys, extract, tmp_path / "s.duckdb", says=["readings.xlsx", "its first row is empty"])


@pytest.mark.parametrize(
    "column",
    [
        pa.array([[95]]),
        pa.array([{"value": 95}]),
        pa.array([b"95"]),
        pa.array([timedelta(seconds=95)]),
    ],
)
def test_parquet_columns_of_lists_groups_or_bytes_stop_the_load(
    tmp_path: Path, capsys: Capsys, column: pa.Array
) -> None:
    table = pa.table({"stay_id": ["ST-0001"], "taken_at": ["2026-01-05 10:00"], "spo2_percent": column})
    extract = _in_form(tmp_path / "extract", "readings.parquet", lambda path: pq.write_table(table, path))
    refused(
        capsys, extract, tmp_path / "s.duckdb", says=["readings.parquet", "lists, groups or bytes in: spo2_percent"]
    )

    harmless = table.rename_columns(["stay_id", "taken_at", "attachment"]).append_column("spo2_percent", pa.array([95]))
    extract = _in_form(tmp_path / "other", "readings.parquet", lambda path: pq.write_table(harmless, path))
    loaded(capsys, extract, tmp_path / "s.duckdb")


def test_parquet_columns_of_the_same_name_stop_the_load(tmp_path: Path, capsys: Capsys) -> None:
    columns = [pa.array(["ST-0001"]), pa.array(["2026-01-05 10:00"]), pa.array([95]), pa.array([96])]
    table = pa.table(columns, names=["stay_id", "taken_at", "spo2_percent", "spo2_percent"])
    extract = _in_form(tmp_path / "extract", "readings.parquet", lambda path: pq.write_table(table, path))
    refused(capsys, extract, tmp_path / "s.duckdb", says=["more than once: spo2_percent"])


PLAIN_TYPES = [
    pa.bool_(), pa.int64(), pa.uint64(), pa.float16(), pa.float64(), pa.decimal128(30, 3), pa.null(), pa.large_string(),
    pa.dictionary(pa.int8(), pa.string()), pa.date32(), pa.time64("us"), pa.timestamp("ns"),
    pa.timestamp("s", "-03:30"),
]  # fmt: skip


def test_parquet_columns_of_any_plain_type_end_as_rows_stored_or_kept_aside(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").unlink()
    for n, kind in enumerate(PLAIN_TYPES):
        # The same column everywhere: an empty cell, then one that holds a two, or the second of January 1970.
        two = "2" if pa.types.is_large_string(kind) or pa.types.is_dictionary(kind) else 2
        column = pa.nulls(2, kind) if pa.types.is_null(kind) else pa.array([None, two]).cast(_from(kind)).cast(kind)
        names = ["stay_id", "taken_at", "spo2_percent", "ews_scale", "source"]
        pq.write_table(pa.table([column] * len(names), names=names), extract / f"readings-{n}.parquet")
    # Something usable, so that the load goes through.
    (extract / "readings.csv").write_text(csv_text([row("readings")]))
    loaded(capsys, extract, tmp_path / "s.duckdb")

    for n in range(len(PLAIN_TYPES)):
        assert counts(tmp_path / "s.duckdb", f"readings-{n}.parquet") == (2, 0, 0, 0, 2)


def _from(kind: pa.DataType) -> pa.DataType:
    """A type that whole numbers or text can be turned into on the way to `kind`."""
    of_time = pa.types.is_timestamp(kind) or pa.types.is_time(kind)
    if pa.types.is_date32(kind):
        return pa.int32()
    return (
        pa.int64() if of_time or not (pa.types.is_large_string(kind) or pa.types.is_dictionary(kind)) else pa.string()
    )


def _acceptable(outcome: Outcome) -> bool:
    return outcome.code in (0, 2) and "Traceback" not in outcome.err


@pytest.mark.parametrize("form", ["csv", "csv.gz", "parquet", "xlsx"])
def test_bytes_changed_at_random_end_in_a_message_or_in_rows(tmp_path: Path, capsys: Capsys, form: str) -> None:
    good = write_extract(tmp_path / "good", readings=[], targets=[row("targets")])
    name = f"readings.{form}"
    (good / "readings.csv").unlink()
    if form == "xlsx":
        cells = [[line["stay_id"], line["taken_at"], 95.0] for line in readings(20)]
        write_workbook(good / name, [["stay_id", "taken_at", "spo2_percent"], *cells])
    elif form == "parquet":
        pl.DataFrame(readings(20)).write_parquet(good / name)
    else:
        text = csv_text(readings(20)).encode()
        (good / name).write_bytes(gzip.compress(text) if form == "csv.gz" else text)
    whole, chance = (good / name).read_bytes(), random.Random(form)
    codes = set()
    for _ in range(12):
        changed = bytearray(whole)
        for _ in range(chance.choice([1, 1, 2, 20])):
            changed[chance.randrange(len(changed))] = chance.randrange(256)
        (good / name).write_bytes(changed[: chance.choice([len(changed)] * 4 + [len(changed) // 2])])
        outcome = load(capsys, good, tmp_path / "s.duckdb")
        (tmp_path / "s.duckdb").unlink(missing_ok=True)
        assert _acceptable(outcome), outcome
        codes.add(outcome.code)
    assert 2 in codes


@pytest.mark.skipif(os.name != "posix", reason="needs file permissions")
def test_a_file_that_may_not_be_read_stops_the_load(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract")
    (extract / "readings.csv").chmod(0)
    if os.access(extract / "readings.csv", os.R_OK):
        # The superuser may read everything: be somebody else for a while.
        for folder in (tmp_path, *tmp_path.parents[:3]):
            folder.chmod(folder.stat().st_mode | 0o011)
        tmp_path.chmod(0o777)
        os.seteuid(65_534)
        try:
            outcome = load(capsys, extract, tmp_path / "s.duckdb")
        finally:
            os.seteuid(0)
    else:
        outcome = load(capsys, extract, tmp_path / "s.duckdb")
    assert outcome.code == 2
    assert "readings.csv" in outcome.err
    assert "you may not read it" in outcome.err
