"""What a worker does with one bucket of stays: the very function that runs locally, and its tables packed to travel.

A function on Spark gives back one table, and ours makes a dozen. So each travels as bytes (Arrow's stream format), one
row a piece, and is unpacked into rows of its own columns afterwards.
"""

from collections.abc import Iterator, Mapping, Sequence

import polars as pl
import pyarrow as pa

from pipeline.batch import measure_batch
from pipeline.events.valves import VALVE
from pipeline.policy import Policy
from pipeline.timeline import with_earlier_retention
from pipeline.vocabulary import TABLES

PACKED = "of_table string, packed binary"
# Rows of a table that travel together.
_ROWS_IN_A_PIECE = 250_000


def stays_with_history(stays: pa.Table, gases: pa.Table, policy: Policy) -> pa.Table:
    """The number of each stay of some patients, and whether another of their stays showed CO2 retention before it.

    In: all stays, and all gases, of those patients. Out: stay_no and earlier_retention.
    """
    known = with_earlier_retention(_frame(stays), _frame(gases), policy)
    return known.select("stay_no", "earlier_retention").to_arrow(compat_level=pl.CompatLevel.oldest())


def measure_bucket(
    readings: pa.Table, records: pa.Table, columns: Mapping[str, Sequence[str]], policy: Policy, zone: str
) -> pa.Table:
    """Every table that is made from the rows of the stays of a bucket, packed: one row a piece.

    In: their readings; the rows of the other tables below each other, `of_table` saying of which, `stays` with
    earlier_retention. columns: of each of those tables, its own.
    Out: of_table and packed. Each row also has the site of its stay and, if of `spans`, the month, to be placed by.
    """
    every = _frame(records)
    frames = {
        table: every.filter(pl.col("of_table") == table).select(names).sort("stay_no", TABLES[table].at)
        for table, names in columns.items()
    }
    taken = _frame(readings).sort("stay_no", "taken_at")
    on_valve = frames["devices"].filter(pl.col("device") == VALVE).select("stay_no")
    frames["breathing"] = (
        taken.filter(pl.col("respiratory_rate").is_not_null())
        .join(on_valve, on="stay_no", how="semi", maintain_order="left")
        .select("stay_no", "taken_at", "respiratory_rate")
    )
    frames["readings"] = taken.drop("bucket")
    measured = measure_batch(frames, policy, zone)
    pieces = [
        (table, _packed(piece))
        for table, rows in _with_place(measured, frames["stays"]).items()
        for piece in rows.iter_slices(_ROWS_IN_A_PIECE)
        if piece.height
    ]
    return pa.table(
        {
            "of_table": pa.array([table for table, _ in pieces], pa.string()),
            "packed": pa.array([packed for _, packed in pieces], pa.binary()),
        }
    )


def unpacked(batches: Iterator[pa.RecordBatch], schema: pa.Schema) -> Iterator[pa.RecordBatch]:
    """The rows of packed pieces of one table, in the columns of `schema`."""
    for batch in batches:
        for piece in batch.column("packed"):
            with pa.ipc.open_stream(piece.as_buffer()) as stream:
                rows = stream.read_all()
            yield from rows.select(schema.names).cast(schema).combine_chunks().to_batches(max_chunksize=64 * 1024)


def _frame(table: pa.Table) -> pl.DataFrame:
    frame = pl.from_arrow(table)
    assert isinstance(frame, pl.DataFrame)
    return frame


def _with_place(measured: Mapping[str, pl.DataFrame], stays: pl.DataFrame) -> dict[str, pl.DataFrame]:
    site_of_stay = stays.select("stay_id", "site")
    place_of_span = measured["conditions"].select("condition_no", "site", "month")
    placed = {}
    for table, rows in measured.items():
        if table == "spans":
            rows = rows.join(place_of_span, on="condition_no", how="left", maintain_order="left")
        elif "site" not in rows.columns:
            rows = rows.join(site_of_stay, on="stay_id", how="left", maintain_order="left")
        placed[table] = rows
    return placed


def _packed(rows: pl.DataFrame) -> bytes:
    codes = [name for name, kind in rows.schema.items() if kind in (pl.Enum, pl.Categorical)]
    table = rows.with_columns(pl.col(codes).cast(pl.String)).to_arrow(compat_level=pl.CompatLevel.oldest())
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as stream:
        stream.write_table(table)
    return sink.getvalue().to_pybytes()
