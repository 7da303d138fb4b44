"""Reads charted times, with or without offset, into UTC."""

from datetime import date
from functools import lru_cache

import polars as pl
import pyarrow as pa

# ISO 8601: date, time of day to the minute at least, and an offset as RFC 3339 allows it (00:00 to 23:59).
_SHAPE = (
    r"^(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2})[T ](?P<clock>[0-9]{2}:[0-9]{2})"
    r"(?:(?P<seconds>:[0-5][0-9])(?:[.,][0-9]+)?)? ?"
    r"(?:(?P<zulu>[Zz])|(?P<sign>[+-])(?P<hours>[01][0-9]|2[0-3])(?::?(?P<minutes>[0-5][0-9]))?)?$"
)
# Nearly all times are written like this, and such can be read in one go.
_PLAIN_SHAPE = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[T ](?:[01][0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9])?$"
_PLAIN_LENGTHS = (len("2026-01-05 10:00"), len("2026-01-05 10:00:00"))
# Of the years that are accepted, counted from 1970-01-01, their first.
_LAST_DAY = (date(2499, 12, 31) - date(1970, 1, 1)).days


def local_to_utc(cells: pl.Series, zone: str) -> pl.DataFrame:
    """Reads a column of times: text (ISO 8601, date and time of day), or the timestamps of a Parquet file.

    Out: one row per cell, in order:
    `utc`: UTC without zone, whole seconds (fractions are dropped); null where the cell is empty or not a time, or the
    local time does not exist.
    `gone`: the cell is a time, but the clocks of `zone` went forward over it.
    `twice`: the local time occurs twice (clocks went back); the first was taken.
    A time with an offset is taken as it says; one without is local to `zone`.
    """
    frame = _timestamps(cells) if isinstance(cells.dtype, pl.Datetime) else _written(cells)
    east = _offset_of_the_day(frame["naive"], zone)
    utc = frame.select(pl.when("is_local").then(pl.col("naive") - east).otherwise("naive"))["naive"]
    found = pl.DataFrame({"utc": utc}).with_columns(gone=pl.lit(False), twice=pl.lit(False))
    near_a_change = frame.select(pl.col("is_local") & pl.col("naive").is_not_null() & east.is_null()).to_series()
    if near_a_change.any():
        return _replaced(found, near_a_change, placed_one_by_one(frame["naive"].filter(near_a_change), zone))
    return found


def _replaced(frame: pl.DataFrame, where: pl.Series, rows: pl.DataFrame) -> pl.DataFrame:
    """The frame with the rows that `where` marks replaced, in order, by `rows`."""
    places = where.arg_true()
    return frame.with_columns(frame[name].scatter(places, rows[name]) for name in frame.columns)


def _offset_of_the_day(local: pl.Series, zone: str) -> pl.Series:
    """How far the zone is ahead of UTC on the day of each local time; null near a change of the clocks."""
    days = local.dt.epoch("d")
    return _offsets(zone).gather(days.set((days < 0) | (days > _LAST_DAY), None))


@lru_cache(maxsize=8)
def _offsets(zone: str) -> pl.Series:
    """How far the zone is ahead of UTC, for each day from 1970-01-01 to 2499-12-31.

    Null where the clocks change between the midnight (UTC) that begins the day before and the one that ends the day
    after: every local time of the other days exists once, with this offset.
    """
    midnights = pl.Series("at", range(-1, _LAST_DAY + 3)).cast(pl.Date).cast(pl.Datetime("us", "UTC"))
    there = midnights.dt.convert_time_zone(zone)
    east = (there.dt.base_utc_offset() + there.dt.dst_offset()).cast(pl.Duration("us"))
    at = pl.col("at")
    steady = (at.shift(1) == at) & (at.shift(-1) == at) & (at.shift(-2) == at)
    return east.to_frame().select(pl.when(steady).then(at))["at"].slice(1, _LAST_DAY + 1)


def placed_one_by_one(local: pl.Series, zone: str) -> pl.DataFrame:
    """Places local times in UTC without a look at the calendar: one row each, with the columns of `local_to_utc`."""
    # Null where the local time occurs twice or never: a handful of rows, which are placed once more.
    frame = pl.DataFrame({"local": local}).with_columns(once=_placed(pl.col("local"), zone, "null"))
    unsure = pl.when(pl.col("once").is_null()).then("local")
    frame = frame.with_columns(unsure.alias("unsure"), first=_placed(unsure, zone, "earliest"))
    return frame.select(
        utc=pl.coalesce("once", "first"),
        gone=pl.col("unsure").is_not_null() & pl.col("first").is_null(),
        twice=pl.col("first").is_not_null(),
    )


def _placed(local: pl.Expr, zone: str, ambiguous: str) -> pl.Expr:
    placed = local.dt.replace_time_zone(zone, ambiguous=ambiguous, non_existent="null")  # type: ignore[arg-type]
    return placed.dt.convert_time_zone("UTC").dt.replace_time_zone(None)


def _timestamps(cells: pl.Series) -> pl.DataFrame:
    is_local = cells.dtype.time_zone is None  # type: ignore[attr-defined]
    utc = cells if is_local else cells.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    seconds = utc.dt.truncate("1s").dt.cast_time_unit("us")
    return pl.DataFrame({"naive": seconds}).with_columns(is_local=pl.lit(is_local))


def _written(cells: pl.Series) -> pl.DataFrame:
    """One row per cell: `naive`, the time as written less its offset, and whether it has none (`is_local`)."""
    text = cells.cast(pl.String)
    plain = text.str.len_bytes().is_in(_PLAIN_LENGTHS)
    naive = _plainly_written(text, plain)
    if naive is None:
        # A cell of such a length is written in another way, or is no time.
        plain = text.str.contains(_PLAIN_SHAPE)
        naive = _plainly_written(text, plain)
    if naive is None:
        # Not even then: a day that no calendar has.
        return written_in_parts(text)
    frame = pl.DataFrame({"naive": naive}).with_columns(is_local=pl.lit(True))
    return _replaced(frame, ~plain, written_in_parts(text.filter(~plain))) if (~plain).any() else frame


def _plainly_written(text: pl.Series, plain: pl.Series) -> pl.Series | None:
    """The cells that `plain` marks as times, the others null; None when not every one of them is a time."""
    chosen = text if plain.all(ignore_nulls=False) else text.zip_with(plain, pl.Series([None], dtype=pl.String))
    try:
        seconds = chosen.to_arrow().cast(pa.timestamp("s"))
    except pa.ArrowInvalid:
        return None
    return pl.Series("naive", seconds).cast(pl.Datetime("us"))


def written_in_parts(text: pl.Series) -> pl.DataFrame:
    """Reads times in any of the accepted shapes: one row each, `naive` and `is_local` as in `_written`."""
    parts = text.str.extract_groups(_SHAPE).struct.unnest()
    whole = pl.concat_str("date", pl.lit(" "), "clock", pl.col("seconds").fill_null(":00"))
    east = pl.col("hours").cast(pl.Int32) * 60 + pl.col("minutes").cast(pl.Int32).fill_null(0)
    return parts.select(
        naive=whole.str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us", strict=False),
        minutes_east=pl.when(pl.col("sign") == "-").then(-east).otherwise(east),
        is_local=pl.col("zulu").is_null() & pl.col("sign").is_null(),
    ).select(
        pl.when(pl.col("minutes_east").is_null())
        .then(pl.col("naive"))
        .otherwise(pl.col("naive") - pl.duration(minutes="minutes_east"))
        .alias("naive"),
        "is_local",
    )
