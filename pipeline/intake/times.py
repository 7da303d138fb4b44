"""Reads charted times, with or without offset, into UTC."""

import polars as pl

# ISO 8601: date, time of day to the minute at least, and an offset as RFC 3339 allows it (00:00 to 23:59).
_SHAPE = (
    r"^(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2})[T ](?P<clock>[0-9]{2}:[0-9]{2})"
    r"(?:(?P<seconds>:[0-5][0-9])(?:[.,][0-9]+)?)? ?"
    r"(?:(?P<zulu>[Zz])|(?P<sign>[+-])(?P<hours>[01][0-9]|2[0-3])(?::?(?P<minutes>[0-5][0-9]))?)?$"
)


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
    local = pl.when(pl.col("is_local")).then(pl.col("naive"))
    # Null where the local time occurs twice or never: a handful of rows, which are placed once more.
    frame = frame.with_columns(once=_placed(local, zone, "null"))
    unsure = pl.when(pl.col("once").is_null()).then(local)
    frame = frame.with_columns(unsure.alias("unsure"), first=_placed(unsure, zone, "earliest"))
    return frame.select(
        utc=pl.when(pl.col("is_local")).then(pl.coalesce("once", "first")).otherwise(pl.col("naive")),
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
    parts = cells.cast(pl.String).str.extract_groups(_SHAPE).struct.unnest()
    text = pl.concat_str("date", pl.lit(" "), "clock", pl.col("seconds").fill_null(":00"))
    east = pl.col("hours").cast(pl.Int32) * 60 + pl.col("minutes").cast(pl.Int32).fill_null(0)
    return parts.select(
        naive=text.str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us", strict=False),
        minutes_east=pl.when(pl.col("sign") == "-").then(-east).otherwise(east),
        is_local=pl.col("zulu").is_null() & pl.col("sign").is_null(),
    ).select(
        pl.when(pl.col("minutes_east").is_null())
        .then(pl.col("naive"))
        .otherwise(pl.col("naive") - pl.duration(minutes="minutes_east"))
        .alias("naive"),
        "is_local",
    )
