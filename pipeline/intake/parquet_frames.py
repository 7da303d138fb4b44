"""What every reader of Parquet files has in common: which columns hold single values, and batches as frames."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet

from pipeline.errors import ExtractError, listed
from pipeline.memory import shares

_ROWS = 250_000


def holds_single_values(kind: pa.DataType) -> bool:
    """Whether a cell of this type is one text, number or time; not a list, a group, bytes or a duration."""
    of_bytes = pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_fixed_size_binary(kind)
    return not (pa.types.is_nested(kind) or of_bytes or pa.types.is_duration(kind))


def no_single_values(file_name: str, columns: list[str]) -> ExtractError:
    """The message for needed columns whose cells are no single values."""
    return ExtractError(
        f"The file {file_name} holds lists, groups or bytes in: {listed(columns)}. Expected text, numbers or times. "
        "Export these columns as text and load again; nothing was stored."
    )


def parquet_frames(
    whole: pa.parquet.ParquetFile,
    chosen: Callable[[pa.RecordBatch], Mapping[str, pa.Array]],
    columns: list[str] | None = None,
) -> Iterator[pl.DataFrame]:
    """The rows in order, batch by batch, with `row_number` from 1.

    chosen: the cells of a batch by the name they get. columns: names of those that are read (all, if not given).
    """
    options: dict[str, Any] = {"batch_size": min(_ROWS, shares().rows_in_a_piece), "columns": columns}
    row_number = 1
    for batch in whole.iter_batches(**options):
        # Text that is not UTF-8 would pass unseen until it is stored.
        batch.validate(full=True)
        cells = {name: _in_utc(cell) for name, cell in chosen(batch).items()}
        frame = pl.DataFrame(pl.from_arrow(pa.table(cells)))
        # Not a number is how other tools write an empty cell into a column of numbers.
        frame = frame.with_columns(pl.col(pl.Float32, pl.Float64).fill_nan(None))
        yield frame.with_row_index("row_number", offset=row_number)
        row_number += frame.height


def _in_utc(column: pa.Array) -> pa.Array:
    # Zoned timestamps are UTC underneath; the names of other zones are not all known to polars.
    if pa.types.is_timestamp(column.type) and column.type.tz is not None:
        return column.cast(pa.timestamp(column.type.unit, "UTC"))
    return column
