"""Finds the files of an extract and reads them in pieces, every cell as text.

A piece is a frame with one text column per column of the file and `row_number`: as a spreadsheet shows it, the header
is row 1 and the first row of data is 2; in Parquet, which has no header row, the first is 1. Blank lines of a CSV file
are not counted.
"""

import gzip
import hashlib
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from pipeline.errors import ExtractError, listed
from pipeline.vocabulary import TABLES

_FILE_NAME = re.compile(r"(?P<table>[a-z]+)(?:-[^.]+)?\.(?P<form>csv|csv\.gz|parquet|xlsx)")
_BLOCK_BYTES = 16 * 2**20
_PARQUET_ROWS = 250_000


@dataclass(frozen=True)
class ExtractFile:
    """One file of an extract: the table it belongs to and its form (csv, csv.gz, parquet, xlsx)."""

    table: str
    path: Path
    form: str

    @property
    def name(self) -> str:
        return self.path.name

    def sha256(self) -> str:
        """Fingerprint of the file's bytes, read from disk."""
        with self.path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()


@dataclass(frozen=True)
class RaggedRow:
    """A row of a CSV file with too many or too few cells. Its text stays in the store, never in a message."""

    row_number: int
    cells: int
    text: str


def find_files(folder: Path) -> tuple[list[ExtractFile], list[str]]:
    """The files of the extract in table order, and the names of files that are not recognised.

    Raises ExtractError when the folder is missing or a required table has no file.
    """
    if not folder.is_dir():
        raise ExtractError(
            f"There is no folder {folder}. An extract is one folder with a file for each table, "
            "for example readings.csv."
        )
    found: list[ExtractFile] = []
    strangers: list[str] = []
    for path in sorted(folder.iterdir()):
        match = _FILE_NAME.fullmatch(path.name)
        if match and match["table"] in TABLES and path.is_file():
            found.append(ExtractFile(match["table"], path, match["form"]))
        elif not path.name.startswith("."):
            strangers.append(path.name)
    order = list(TABLES)
    found.sort(key=lambda file: (order.index(file.table), file.name))
    missing = [t.name for t in TABLES.values() if t.required and t.name not in {file.table for file in found}]
    if missing:
        seen = f" Files not recognised there: {listed(strangers)}." if strangers else ""
        raise ExtractError(
            f"The extract {folder} has no file for: {', '.join(missing)}. Expected for each table a file such as "
            f"{missing[0]}.csv, {missing[0]}-2026-01.csv.gz, {missing[0]}.parquet or {missing[0]}.xlsx.{seen} "
            "Add or rename the files and load again; nothing was stored."
        )
    return found, strangers


def header(file: ExtractFile) -> list[str]:
    """The column names as they stand in the file, without surrounding blanks.

    Raises ExtractError when the file cannot be read or has no header.
    """
    try:
        if file.form == "parquet":
            names = pa.parquet.ParquetFile(file.path).schema_arrow.names
        elif file.form == "xlsx":
            names = _excel(file).columns
        else:
            with pa.input_stream(str(file.path), compression="gzip" if file.form == "csv.gz" else None) as stream:
                first = stream.read(2**16)
            names = _first_line_cells(first, file)
    except (pa.ArrowInvalid, OSError, zlib.error, gzip.BadGzipFile) as error:
        raise _unreadable(file) from error
    if not any(name.strip() for name in names):
        raise ExtractError(
            f"The file {file.name} is empty: not even a header. Expected a header row such as "
            f"{','.join(TABLES[file.table].column_names)}. Export it again, or take the file out of the folder."
        )
    return [name.strip() for name in names]


def pieces(file: ExtractFile, columns: list[str], ragged: list[RaggedRow]) -> Iterator[pl.DataFrame]:
    """The rows of the file in order, piece by piece, each cell as text (null where empty).

    Rows with the wrong number of cells are left out of the pieces and noted in `ragged`.
    Raises ExtractError when the file is damaged; row numbers count the rows left out.
    """
    try:
        if file.form == "parquet":
            yield from _parquet_pieces(file, columns)
        elif file.form == "xlsx":
            frame = _excel(file).rename(dict(zip(_excel(file).columns, columns, strict=True)))
            yield frame.with_row_index("row_number", offset=2)
        else:
            yield from _csv_pieces(file, columns, ragged)
    except (pa.ArrowInvalid, OSError, zlib.error, gzip.BadGzipFile) as error:
        raise _unreadable(file) from error


def _unreadable(file: ExtractFile) -> ExtractError:
    what = {
        "csv": "it is not plain UTF-8 text with commas, or a quotation mark is never closed",
        "csv.gz": "it is cut short, not gzip, or not plain UTF-8 text with commas inside",
        "parquet": "it is cut short or not a Parquet file",
        "xlsx": "it is cut short, protected, or not an Excel workbook",
    }[file.form]
    return ExtractError(
        f"The file {file.name} cannot be read to its end: {what}. Export it again and load the whole extract; "
        "nothing was stored."
    )


def _first_line_cells(first: bytes, file: ExtractFile) -> list[str]:
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise ExtractError(
            f"The file {file.name} is in UTF-16. Save it as CSV in UTF-8 and load again; nothing was stored."
        )
    line = first.removeprefix(b"\xef\xbb\xbf").splitlines()[:1]
    try:
        text = line[0].decode("utf-8") if line else ""
    except UnicodeDecodeError as error:
        raise _unreadable(file) from error
    cells = [cell.strip().removeprefix('"').removesuffix('"') for cell in text.split(",")]
    if len(cells) == 1 and re.search(r"[;\t|]", text):
        raise ExtractError(
            f"The file {file.name} does not separate its columns by commas. "
            "Save it as comma-separated CSV and load again; nothing was stored."
        )
    return cells


def _excel(file: ExtractFile) -> pl.DataFrame:
    import fastexcel

    try:
        sheet = fastexcel.read_excel(file.path).load_sheet(0, dtypes="string")
    except fastexcel.FastExcelError as error:
        raise _unreadable(file) from error
    return sheet.to_polars()


def _parquet_pieces(file: ExtractFile, columns: list[str]) -> Iterator[pl.DataFrame]:
    row_number = 1
    for batch in pa.parquet.ParquetFile(file.path).iter_batches(batch_size=_PARQUET_ROWS):
        frame = pl.DataFrame(pl.from_arrow(batch))
        frame.columns = columns
        yield frame.select(_as_text(name, kind) for name, kind in frame.schema.items()).with_row_index(
            "row_number", offset=row_number
        )
        row_number += frame.height


def _as_text(name: str, kind: pl.DataType) -> pl.Expr:
    column = pl.col(name)
    if isinstance(kind, pl.Datetime):
        if kind.time_zone is None:
            return column.dt.strftime("%Y-%m-%d %H:%M:%S")
        return column.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%d %H:%M:%SZ")
    return column.cast(pl.String, strict=False)


def _csv_pieces(file: ExtractFile, columns: list[str], ragged: list[RaggedRow]) -> Iterator[pl.DataFrame]:
    def leave_out(row: pa.csv.InvalidRow) -> str:
        ragged.append(RaggedRow(row.number, row.actual_columns, row.text or ""))
        return "skip"

    reader = pa.csv.open_csv(
        pa.input_stream(str(file.path), compression="gzip" if file.form == "csv.gz" else None),
        # One thread: only then does the reader know the number of a row it leaves out.
        read_options=pa.csv.ReadOptions(
            use_threads=False, block_size=_BLOCK_BYTES, column_names=columns, skip_rows_after_names=1
        ),
        parse_options=pa.csv.ParseOptions(newlines_in_values=True, invalid_row_handler=leave_out),
        convert_options=pa.csv.ConvertOptions(
            column_types=dict.fromkeys(columns, pa.string()),
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
        ),
    )
    kept_before = 0
    for batch in reader:
        frame = pl.DataFrame(pl.from_arrow(batch))
        kept = np.arange(kept_before, kept_before + frame.height)
        yield frame.with_columns(row_number=pl.Series(_row_numbers(kept, [row.row_number for row in ragged])))
        kept_before += frame.height


def _row_numbers(kept: np.ndarray, left_out: list[int]) -> np.ndarray:
    """Row numbers in the file of the rows that were kept, given the numbers of the rows left out before them."""
    # The k-th row left out (from 0) stands at number r, with r - 2 - k kept rows before it.
    before = np.asarray(left_out, dtype=np.int64) - 2 - np.arange(len(left_out))
    return kept + 2 + np.searchsorted(before, kept, side="right")
