"""Reads charted times, with or without offset, into UTC."""

import polars as pl

_SHAPE = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2}(?:[.,]\d+)?)? ?(?:[Zz]|[+-]\d{2}:?\d{2}|[+-]\d{2})?$"
_OFFSET = r"([Zz]|[+-]\d{2}:?\d{2}|[+-]\d{2})$"
_DATE_LENGTH = len("2026-01-01")


def local_to_utc(column: str, zone: str) -> list[pl.Expr]:
    """Three columns out of a text column of times (ISO 8601, date and time of day).

    `column`: UTC without zone, whole seconds; null where the text is not a time or the local time does not exist.
    `column:gone`: the text is a time, but the clocks of `zone` went forward over it.
    `column:twice`: the local time occurs twice (clocks went back); the first was taken.
    A time with an offset is taken as it says; one without is local to `zone`.
    """
    text = pl.col(column)
    shaped = pl.when(text.str.contains(_SHAPE)).then(text)
    rest = shaped.str.slice(_DATE_LENGTH + 1)
    clock = rest.str.slice(0, 8)
    has_seconds = rest.str.slice(5, 1) == ":"
    written = pl.concat_str(
        shaped.str.slice(0, _DATE_LENGTH),
        pl.lit(" "),
        pl.when(has_seconds).then(clock).otherwise(pl.concat_str(rest.str.slice(0, 5), pl.lit(":00"))),
    )
    naive = written.str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us", strict=False)
    # The offset is looked for after the date only, whose own hyphens would match.
    offset = rest.str.extract(_OFFSET)
    digits = offset.str.replace(":", "", literal=True)
    minutes = digits.str.slice(1, 2).cast(pl.Int32, strict=False) * 60 + digits.str.slice(3, 2).cast(
        pl.Int32, strict=False
    ).fill_null(0)
    east = pl.when(offset.str.starts_with("-")).then(-minutes).otherwise(minutes).fill_null(0)
    with_offset = naive - pl.duration(minutes=east)

    def placed(ambiguous: str) -> pl.Expr:
        local = naive.dt.replace_time_zone(zone, ambiguous=ambiguous, non_existent="null")  # type: ignore[arg-type]
        return local.dt.convert_time_zone("UTC").dt.replace_time_zone(None)

    is_local = offset.is_null()
    first = placed("earliest")
    return [
        pl.when(is_local).then(first).otherwise(with_offset).alias(column),
        (naive.is_not_null() & is_local & first.is_null()).fill_null(False).alias(f"{column}:gone"),
        (is_local & (first != placed("latest"))).fill_null(False).alias(f"{column}:twice"),
    ]
