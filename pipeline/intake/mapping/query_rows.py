"""Rows of a query as text, as the readers of files give them, and a fingerprint of them that no order changes."""

import hashlib
import json

import duckdb
import polars as pl
import pyarrow as pa

from pipeline.intake.read import as_text

# From the first to the last microsecond that text can name: years 1 to 9999, in microseconds since 1970.
_FIRST_TIME, _LAST_TIME = -62_135_596_800_000_000, 253_402_300_799_999_999
_LANES = 4


class RowsFingerprint:
    """Adds up the SHA-256 of every row, so that the order in which a database gives its rows makes no difference."""

    def __init__(self, columns: list[str]) -> None:
        self._columns = columns
        self._rows = 0
        self._sums = [0] * _LANES
        self._connection = duckdb.connect()

    def add(self, rows: pl.DataFrame) -> None:
        """Adds the rows of one piece; all cells text or null."""
        numbered = rows.select(pl.col(name).alias(f"c{place}") for place, name in enumerate(self._columns))
        self._connection.register("numbered", numbered)
        lanes = ", ".join(
            f"coalesce(sum(('0x' || substr(hash, {16 * lane + 1}, 16))::ubigint::hugeint), 0)" for lane in range(_LANES)
        )
        [sums] = self._connection.execute(
            f"select {lanes} from (select sha256(to_json(numbered)::varchar) as hash from numbered)"
        ).fetchall()
        self._connection.unregister("numbered")
        self._rows += rows.height
        self._sums = [before + int(added) for before, added in zip(self._sums, sums, strict=True)]

    def hexdigest(self) -> str:
        """SHA-256 over the column names, the number of rows and the sums of the rows' own SHA-256."""
        return hashlib.sha256(json.dumps([self._columns, self._rows, self._sums]).encode()).hexdigest()


def is_readable(kind: pa.DataType) -> bool:
    """Whether a column of this type holds single values that can be written as text."""
    if isinstance(kind, pa.UuidType):
        return True
    if isinstance(kind, pa.BaseExtensionType):
        kind = kind.storage_type
    of_bytes = pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_fixed_size_binary(kind)
    return not (of_bytes or pa.types.is_nested(kind) or pa.types.is_interval(kind) or pa.types.is_duration(kind))


def text_rows(batch: pa.RecordBatch) -> pl.DataFrame:
    """The rows of a batch with every cell as text, null where it is null or not a number.

    Times without zone stay local; those with a zone are written in UTC, with Z.
    """
    return pl.DataFrame({name: _cells(name, c) for name, c in zip(batch.schema.names, batch.columns, strict=True)})


def _cells(name: str, column: pa.Array) -> pl.Series:
    """A column of the database as text, null where it is null or not a number."""
    if isinstance(column.type, pa.UuidType):
        digits = pl.Series(name, column.storage.cast(pa.binary())).bin.encode("hex")
        return digits.str.replace(r"^(.{8})(.{4})(.{4})(.{4})(.{12})$", "$1-$2-$3-$4-$5")
    if isinstance(column.type, pa.BaseExtensionType):
        column = column.storage
    if pa.types.is_timestamp(column.type):
        return _times(name, column)
    cells = pl.Series(name, column)
    if cells.dtype.is_float():
        cells = cells.fill_nan(None)
    return pl.DataFrame([cells]).select(as_text(name, cells.dtype).alias(name))[name]


def _times(name: str, column: pa.Array) -> pl.Series:
    # Infinity, which is a time to PostgreSQL, lies outside of every calendar: the text is none of a time.
    zone = "UTC" if column.type.tz else None
    micros = pl.Series(name, column.cast(pa.timestamp("us", zone)).view(pa.int64()))
    frame = pl.DataFrame([micros]).with_columns(is_time=pl.col(name).is_between(_FIRST_TIME, _LAST_TIME))
    at = pl.when("is_time").then(pl.col(name)).cast(pl.Datetime("us", zone))
    frame = frame.with_columns(at=at)
    text = pl.when("is_time").then(as_text("at", frame.schema["at"])).when(~pl.col("is_time")).then(pl.lit("infinity"))
    return frame.select(text.alias(name))[name]
