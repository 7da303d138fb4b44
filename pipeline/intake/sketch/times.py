"""Guesses how dates and times are written in a column, without ever guessing which of two numbers is the day."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from pipeline.intake.mapping.values import EXCEL_SERIAL
from pipeline.intake.times import local_to_utc

_MOST_VALUES = 2000
_SHARE_THAT_FITS = 0.95
_CLOCK = r"(?P<hour>\d{1,2}):\d{2}(?P<seconds>:\d{2}(?P<fraction>\.\d+)?)?(?P<half> ?[AaPp][Mm])?"
_DATES = (
    r"(?P<first>\d{1,2})(?P<sign>[/.-])(?P<second>\d{1,2})(?P=sign)(?P<year>\d{4}|\d{2})",
    r"(?P<year>\d{4})(?P<sign>[/.])(?P<month>\d{1,2})(?P=sign)\d{1,2}",
    r"(?P<day>\d{1,2})(?P<sign>[ /-])(?P<name>[A-Za-z]{3,9})(?P=sign)(?P<year>\d{4}|\d{2})",
    r"(?P<compact>\d{8})",
    r"(?P<iso>\d{4}-\d{2}-\d{2})",
)
_SHAPES = [re.compile(rf"{date}(?:(?P<gap>[ T]+){_CLOCK})?") for date in _DATES]
_SHAPES.append(re.compile(r"(?P<compact>\d{8})(?P<gap>[ T]?)(?P<digits>\d{4}(?:\d{2})?)"))
_CLOCK_ALONE = re.compile(_CLOCK)
# 1 January 2000 to 31 December 2099.
_FIRST_SERIAL, _LAST_SERIAL = 36_526, 73_050


@dataclass(frozen=True)
class TimeGuess:
    """How a column is written.

    what: `time` (date and time of day), `date` or `clock`. formats: for the mapping, none where ISO 8601; `{1}` and
    `{2}` stand for day and month where only their order tells. first, second: the largest number in each place.
    """

    what: str
    formats: tuple[str, ...] = ()
    first: int = 0
    second: int = 0


def guess_times(cells: pl.Series) -> TimeGuess | None:
    """How the times of a column are written; None where it holds none, or too many other things."""
    values = cells.drop_nulls().unique(maintain_order=True).head(_MOST_VALUES)
    if values.is_empty():
        return None
    if local_to_utc(values, "UTC")["utc"].is_not_null().mean() >= _SHARE_THAT_FITS:  # type: ignore[operator]
        return TimeGuess("time")
    numbers = values.cast(pl.Float64, strict=False)
    is_serial = numbers.is_between(_FIRST_SERIAL, _LAST_SERIAL).fill_null(False)
    # Whole numbers alone could be anything, keys for example.
    if is_serial.mean() >= _SHARE_THAT_FITS and (numbers % 1 != 0).any():  # type: ignore[operator]
        return TimeGuess("time", (EXCEL_SERIAL,))
    return _guess_written(values.to_list())


def _guess_written(values: list[str]) -> TimeGuess | None:
    met: dict[tuple[str, str], int] = {}
    first = second = 0
    for value in values:
        match = next((m for shape in (*_SHAPES, _CLOCK_ALONE) if (m := shape.fullmatch(value))), None)
        if match:
            parts = match.groupdict()
            key = _what(parts), _format(parts)
            met[key] = met.get(key, 0) + 1
            first, second = max(first, int(parts.get("first") or 0)), max(second, int(parts.get("second") or 0))
    for what in ("time", "date", "clock"):
        formats = {form: count for (kind, form), count in met.items() if kind == what}
        if sum(formats.values()) >= _SHARE_THAT_FITS * len(values):
            used = tuple(sorted(form for form in formats if form))
            return TimeGuess(what, used, first, second)
    return None


def _what(parts: dict[str, str | None]) -> str:
    has_date = any(parts.get(name) for name in ("first", "month", "name", "compact", "iso"))
    if not has_date:
        return "clock"
    return "time" if parts.get("hour") or parts.get("digits") else "date"


def _format(parts: dict[str, str | None]) -> str:
    """The format of one value; empty for ISO dates and for a time of day as ISO 8601 writes it."""
    sign, year = parts.get("sign") or "", "%Y" if len(parts.get("year") or "") == 4 else "%y"
    if parts.get("first"):
        date = f"{{1}}{sign}{{2}}{sign}{year}"
    elif parts.get("month"):
        date = f"%Y{sign}%m{sign}%d"
    elif parts.get("name"):
        month = "%b" if len(parts["name"] or "") == 3 else "%B"
        date = f"%d{sign}{month}{sign}{year}"
    elif parts.get("compact"):
        date = "%Y%m%d"
    else:
        date = "%Y-%m-%d" if parts.get("iso") else ""
    clock = ""
    if parts.get("hour"):
        hour = "%I" if parts.get("half") else "%H"
        clock = f"{hour}:%M" + (":%S" if parts.get("seconds") else "") + ("%.f" if parts.get("fraction") else "")
        clock += (" %p" if (parts["half"] or "").startswith(" ") else "%p") if parts.get("half") else ""
    elif parts.get("digits"):
        clock = "%H%M%S" if len(parts["digits"] or "") == 6 else "%H%M"
    return f"{date}{(parts.get('gap') or '')[:1]}{clock}"


def in_order(guesses: Iterable[TimeGuess]) -> tuple[str, str] | None:
    """The order of day and month in one file, where a number over 12 in any column tells it."""
    largest = [(guess.first, guess.second) for guess in guesses]
    first, second = max((pair[0] for pair in largest), default=0), max((pair[1] for pair in largest), default=0)
    if first > 12 >= second:
        return "%d", "%m"
    if second > 12 >= first:
        return "%m", "%d"
    return None
