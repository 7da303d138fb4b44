"""Reads CSV files, plain or gzip, in pieces; a file that is not whole or not text is refused, never read in part."""

import codecs
import csv
import re
from collections.abc import Iterator

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.csv

from pipeline.errors import ExtractError
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.recoded import RecodedStream
from pipeline.memory import shares

_BLOCK_BYTES = 16 * 2**20
_LONGEST_HEADER_BYTES = 2**16
# Read behind the last row. It stands alone unless a quotation mark is still open there and swallows it.
_END_MARK = b"\x1eend of file\x1e"


class CheckedText:
    """The bytes of a CSV file for the reader: refused where they are not UTF-8, with the end mark behind them."""

    def __init__(self, stream: pa.NativeFile | RecodedStream, file_name: str) -> None:
        self._stream = stream
        self._file_name = file_name
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._lines_before = 0
        self._at_end = False
        self.closed = False

    def read(self, size: int) -> bytes:
        if self._at_end:
            return b""
        block = self._stream.read(size)
        while len(block) < size and (more := self._stream.read(size - len(block))):
            block += more
        self._at_end = len(block) < size
        refuse_utf_16(block, self._file_name)
        self._refuse_other_encodings(block)
        # In the same block as the last line, which may have no end of its own.
        return block + b"\n" + _END_MARK + b"\n" if self._at_end else block

    def _refuse_other_encodings(self, block: bytes) -> None:
        try:
            self._decoder.decode(block, final=self._at_end)
        except UnicodeDecodeError as error:
            line = self._lines_before + block[: error.start].count(b"\n") + 1
            raise ExtractError(
                f"The file {self._file_name} is not text in UTF-8: line {line:,} holds other bytes (perhaps Latin-1 or "
                "Windows-1252). Save it as CSV in UTF-8 and load again; nothing was stored."
            ) from error
        self._lines_before += block.count(b"\n")

    def close(self) -> None:
        self._stream.close()
        self.closed = True


def refuse_utf_16(block: bytes, file_name: str) -> None:
    """Raises ExtractError when the bytes begin as UTF-16 does or hold the zero bytes that it is full of."""
    if block.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in block:
        raise ExtractError(
            f"The file {file_name} is not text in UTF-8 (perhaps UTF-16, which spreadsheets call Unicode text). "
            "Save it as CSV in UTF-8 and load again; nothing was stored."
        )


def csv_header(stream: pa.NativeFile | RecodedStream, file_name: str, delimiter: str = ",") -> list[str]:
    """The cells of the first line; empty when the file is."""
    first = stream.read(_LONGEST_HEADER_BYTES)
    refuse_utf_16(first, file_name)
    line = (first.removeprefix(codecs.BOM_UTF8).splitlines() or [b""])[0]
    try:
        text = line.decode("utf-8")
        cells = next(csv.reader([text], delimiter=delimiter), [])
    except (UnicodeDecodeError, csv.Error) as error:
        raise ExtractError(
            f"The file {file_name} does not begin with a header row in UTF-8 text. Save it as CSV in UTF-8 and load "
            "again; nothing was stored."
        ) from error
    if len(cells) == 1 and re.search(r"[,;\t|]", text.replace(delimiter, "")):
        sign = "commas" if delimiter == "," else "the delimiter that the mapping declares"
        raise ExtractError(
            f"The file {file_name} does not separate its columns by {sign}. Save it as comma-separated CSV, with a "
            "decimal point in numbers, or declare delimiter and decimal in a mapping, and load again; nothing was "
            "stored."
        )
    return cells


def csv_pieces(
    stream: pa.NativeFile | RecodedStream,
    file_name: str,
    columns: list[str],
    ragged: list[RaggedRow],
    delimiter: str = ",",
) -> Iterator[pl.DataFrame]:
    """The rows in order, piece by piece, all cells text, with `row_number`; rows of other lengths go to `ragged`."""
    whole = False

    def leave_out(row: pa.csv.InvalidRow) -> str:
        nonlocal whole
        if row.text == _END_MARK.decode():
            whole = True
        else:
            ragged.append(RaggedRow(row.number, row.actual_columns, row.text))
        return "skip"

    reader = pa.csv.open_csv(
        CheckedText(stream, file_name),
        # One thread: only then does the reader know the number of a row it leaves out.
        read_options=pa.csv.ReadOptions(
            use_threads=False,
            block_size=min(_BLOCK_BYTES, shares().bytes_in_a_piece),
            column_names=columns,
            skip_rows_after_names=1,
        ),
        parse_options=pa.csv.ParseOptions(delimiter=delimiter, newlines_in_values=True, invalid_row_handler=leave_out),
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
    if not whole:
        raise ExtractError(
            f"The file {file_name} cannot be read to its end: a quotation mark that opens in row "
            f"{kept_before + len(ragged) + 1:,} is never closed. Export it again and load the whole extract; nothing "
            "was stored."
        )


def _row_numbers(kept: np.ndarray, left_out: list[int]) -> np.ndarray:
    """Row numbers in the file of the rows that were kept, given the numbers of the rows left out before them."""
    # The k-th row left out (from 0) stands at number r, with r - 2 - k kept rows before it.
    before = np.asarray(left_out, dtype=np.int64) - 2 - np.arange(len(left_out))
    return kept + 2 + np.searchsorted(before, kept, side="right")
