"""Finds the files of an extract and reads them in pieces.

A piece is a frame with one column per column of the file and `row_number`: as a spreadsheet shows it, the header is
row 1 and the first row of data is 2; in Parquet, which has no header row, the first is 1. Empty lines of a CSV file
are no rows and are not counted; empty rows of a workbook are no rows, but spreadsheets number them, so they count.
Cells are text, null where empty; those of a Parquet file keep their type.
"""

import hashlib
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import fastexcel
import polars as pl
import pyarrow as pa
import pyarrow.parquet

from pipeline.errors import ExtractError, listed
from pipeline.intake.csv_text import csv_header, csv_pieces
from pipeline.intake.parquet_frames import holds_single_values, no_single_values, parquet_frames
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.recoded import RecodedStream
from pipeline.one_ahead import one_ahead
from pipeline.vocabulary import TABLES

_FILE_NAME = re.compile(r"(?P<table>[a-z]+)(?:-[^.]+)?\.(?P<form>csv|csv\.gz|parquet|xlsx)")
_LARGEST_WHOLE_NUMBER = 1e15
_BYTES_GUESSED_BY = 2**16
# What the readers raise over a file that is not as it should be.
_DAMAGE = (pa.ArrowException, pl.exceptions.PolarsError, fastexcel.FastExcelError, UnicodeError, OSError)


@dataclass(frozen=True)
class ExtractFile:
    """One file of an extract: the table it belongs to and its form (csv, csv.gz, parquet, xlsx).

    delimiter, encoding: of CSV text; other than the usual where a mapping declares it.
    """

    table: str
    path: Path
    form: str
    delimiter: str = ","
    encoding: str = "utf-8"

    @property
    def name(self) -> str:
        return self.path.name

    def sha256(self) -> str:
        """Fingerprint of the file's bytes, read from disk."""
        with self.path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()


def find_files(
    folder: Path, claimed: Collection[str] = (), elsewhere: Collection[str] = ()
) -> tuple[list[ExtractFile], list[str]]:
    """The files of the extract in table order, and the names of files that are not recognised.

    claimed: names of files that another reader takes. elsewhere: tables that come from there and need no file.
    Raises ExtractError when the folder is missing or a required table has no file.
    """
    try:
        paths = sorted(folder.iterdir())
    except PermissionError as error:
        raise ExtractError(
            f"The folder {folder} may not be read by you. Ask its owner for leave to read it; nothing was stored."
        ) from error
    except OSError as error:
        raise ExtractError(
            f"There is no folder {folder}. An extract is one folder with a file for each table, "
            "for example readings.csv. Check the path and load again; nothing was stored."
        ) from error
    found: list[ExtractFile] = []
    strangers: list[str] = []
    for path in paths:
        match = _FILE_NAME.fullmatch(path.name)
        if match and match["table"] in TABLES and path.is_file():
            found.append(ExtractFile(match["table"], path, match["form"]))
        elif not path.name.startswith(".") and path.name not in claimed:
            strangers.append(path.name)
    order = list(TABLES)
    found.sort(key=lambda file: (order.index(file.table), file.name))
    there = {file.table for file in found} | set(elsewhere)
    missing = [table.name for table in TABLES.values() if table.required and table.name not in there]
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
            names = [cell or "" for row in _sheet(file).head(1).rows() for cell in row]
        else:
            with _csv_stream(file) as stream:
                names = csv_header(stream, file.name, file.delimiter)
    except pa.ArrowCancelled as error:
        raise KeyboardInterrupt from error
    except _DAMAGE as error:
        raise _unreadable(file, error) from error
    if not any(name.strip() for name in names):
        raise ExtractError(
            f"The file {file.name} does not begin with a header row: its first row is empty, or the whole file is. "
            f"Expected a header such as {','.join(TABLES[file.table].column_names)}. Export it again, or take the file "
            "out of the folder; nothing was stored."
        )
    return [name.strip() or f"column {place} (untitled)" for place, name in enumerate(names, start=1)]


def pieces(file: ExtractFile, columns: list[str], ragged: list[RaggedRow]) -> Iterator[pl.DataFrame]:
    """The rows of the file in order, piece by piece; `columns` are all its column names, each of them once.

    Rows of a CSV file with the wrong number of cells are left out of the pieces and noted in `ragged`.
    Raises ExtractError when the file is damaged.
    """
    try:
        if file.form == "parquet":
            yield from one_ahead(_parquet_pieces(file, columns))
        elif file.form == "xlsx":
            yield _sheet_rows(file, columns)
        else:
            with _csv_stream(file) as stream:
                yield from one_ahead(csv_pieces(stream, file.name, columns, ragged, file.delimiter))
    except pa.ArrowCancelled as error:
        raise KeyboardInterrupt from error
    except _DAMAGE as error:
        raise _unreadable(file, error) from error


def about_rows(file: ExtractFile) -> int:
    """About how many rows the file has, by its first lines and its size; 0 where that cannot be said."""
    try:
        if file.form == "parquet":
            return int(pa.parquet.read_metadata(file.path).num_rows)
        if file.form != "csv":
            return 0
        with file.path.open("rb") as stream:
            first = stream.read(_BYTES_GUESSED_BY)
        return first.count(b"\n") * file.path.stat().st_size // max(len(first), 1)
    except (OSError, pa.ArrowException):
        # Whoever reads it says what is wrong with it.
        return 0


def _unreadable(file: ExtractFile, error: Exception) -> ExtractError:
    what = {
        "csv": "a row is longer than 16 MB; perhaps a quotation mark is never closed",
        "csv.gz": "it is cut short or not gzip, or a row is longer than 16 MB",
        "parquet": "it is cut short, damaged or not a Parquet file",
        "xlsx": "it is cut short, protected, or not an Excel workbook",
    }[file.form]
    if isinstance(error, PermissionError):
        what = "you may not read it"
    return ExtractError(
        f"The file {file.name} cannot be read to its end: {what}. Export it again and load the whole extract; "
        "nothing was stored."
    )


def _csv_stream(file: ExtractFile) -> pa.NativeFile | RecodedStream:
    stream = pa.input_stream(str(file.path), compression="gzip" if file.form == "csv.gz" else None)
    return stream if file.encoding == "utf-8" else RecodedStream(stream, file.name, file.encoding)


def _sheet(file: ExtractFile) -> pl.DataFrame:
    workbook = fastexcel.read_excel(file.path)
    return workbook.load_sheet(0, header_row=None, skip_rows=0, dtypes="string").to_polars()


def _sheet_rows(file: ExtractFile, columns: list[str]) -> pl.DataFrame:
    sheet = _sheet(file)
    sheet.columns = columns
    is_empty = pl.all_horizontal(pl.col(columns).is_null())
    return sheet.with_row_index("row_number", offset=1).slice(1).filter(~is_empty)


def _parquet_pieces(file: ExtractFile, columns: list[str]) -> Iterator[pl.DataFrame]:
    whole = pa.parquet.ParquetFile(file.path)
    kinds = whole.schema_arrow.types
    unread = [name for name, kind in zip(columns, kinds, strict=True) if not holds_single_values(kind)]
    needed = [name for name in unread if name in TABLES[file.table].column_names]
    if needed:
        raise no_single_values(file.name, needed)

    def chosen(batch: pa.RecordBatch) -> dict[str, pa.Array]:
        return {name: cell for name, cell in zip(columns, batch.columns, strict=True) if name not in unread}

    yield from parquet_frames(whole, chosen)


def as_text(name: str, kind: pl.DataType) -> pl.Expr:
    """A column of a piece as text; numbers without needless decimals, so that the key 1001.0 is 1001."""
    cell = pl.col(name)
    if kind == pl.String:
        return cell
    text = cell.cast(pl.String)
    if isinstance(kind, pl.Datetime):
        return cell.dt.strftime("%Y-%m-%d %H:%M:%S" + ("Z" if kind.time_zone else ""))
    if kind.is_float():
        is_whole = (cell == cell.floor()) & (cell.abs() < _LARGEST_WHOLE_NUMBER)
        return pl.when(is_whole).then(pl.when(is_whole).then(cell).cast(pl.Int64).cast(pl.String)).otherwise(text)
    return text
