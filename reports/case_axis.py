"""The time axis of one stay: round instants on the clock on the wall, and how they are written."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from reports import store_tables, wording

_HOUR_STEPS = (1, 2, 3, 4, 6, 12)
_DAY_STEPS = (1, 2, 3, 5, 7, 14, 28)


@dataclass(frozen=True)
class Tick:
    """One instant of the axis (UTC) and its words; is_midnight: a day begins there."""

    at: datetime
    words: str
    is_midnight: bool


def ticks(start: datetime, end: datetime, zone: str, most: int) -> list[Tick]:
    """Round local instants in [start, end), at most `most` of them unless not even every 28th day is that few.

    start and end in UTC. A local hour that does not exist has no tick, one that occurs twice has one at the first.
    """
    hours = (end - start).total_seconds() / 3600
    step = next((step for step in _HOUR_STEPS if hours / step <= most), None)
    if step is not None:
        found = list(_of_hours(start, end, zone, step))
    else:
        days = next((days for days in _DAY_STEPS if hours / 24 / days <= most), _DAY_STEPS[-1])
        found = list(_of_hours(start, end, zone, 24))[::days]
    return [Tick(at, _words(store_tables.local(at, zone)), _is_midnight(at, zone)) for at in found]


def midnights(start: datetime, end: datetime, zone: str) -> list[datetime]:
    """Every local midnight in [start, end), in UTC."""
    return list(_of_hours(start, end, zone, 24))


def clock(moment: datetime | None, zone: str) -> str:
    """An instant (UTC) as 3 May, 14:05 on the local clock; where that clock showed the time twice, with its name.

    >>> clock(datetime(2026, 10, 25, 0, 30), "Europe/London"), clock(datetime(2026, 10, 25, 1, 30), "Europe/London")
    ('25 Oct, 01:30 BST', '25 Oct, 01:30 GMT')
    """
    if moment is None:
        return wording.NOTHING
    there = moment.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
    twice = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    words = wording.short_day(there.replace(tzinfo=None))
    return f"{words} {there.tzname()}" if twice else words


def _of_hours(start: datetime, end: datetime, zone: str, step: int) -> Iterator[datetime]:
    here = ZoneInfo(zone)
    day = store_tables.local(start, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    last = store_tables.local(end, zone)
    while day <= last:
        for hour in range(0, 24, step):
            wall = day.replace(hour=hour)
            at = wall.replace(tzinfo=here).astimezone(UTC).replace(tzinfo=None)
            exists = store_tables.local(at, zone) == wall
            if exists and start <= at < end:
                yield at
        day += timedelta(days=1)


def _is_midnight(at: datetime, zone: str) -> bool:
    return store_tables.local(at, zone).hour == 0


def _words(local: datetime) -> str:
    return wording.short_day(local).split(",")[0] if local.hour == 0 else f"{local:%H:%M}"
