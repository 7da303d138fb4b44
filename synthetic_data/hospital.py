"""The invented hospital: its calendar, wards and habits. None of it describes a real place.

Quillbrook is made up, and so are its six wards. From January 2026, month seven of twelve, training and a target
that is offered by default on admission change what people do; `Change` holds each habit before and after.

Times inside the simulation are whole seconds since 1970-01-01 UTC.
"""

from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HOSPITAL = "Quillbrook"
ZONE = "Europe/London"
MINUTE, HOUR, DAY = 60, 3_600, 86_400
STEP = 10 * MINUTE


def _local(year: int, month: int, day: int = 1) -> int:
    return int(datetime(year, month, day, tzinfo=ZoneInfo(ZONE)).timestamp())


MONTHS = tuple(f"{2025 + (6 + i) // 12}-{(6 + i) % 12 + 1:02d}" for i in range(12))
MONTH_STARTS: Ints = np.array([_local(int(month[:4]), int(month[5:])) for month in MONTHS])
PERIOD_START, PERIOD_END = _local(2025, 7), _local(2026, 7)
IMPROVEMENT_START = _local(2026, 1)
IMPROVEMENT_SETTLES = 14 * DAY

# Local midnights from January 2025 (the first visits of people who come again) to September 2026.
MIDNIGHTS: Ints = np.array(
    [
        int((datetime(2025, 1, 1) + timedelta(days=day)).replace(tzinfo=ZoneInfo(ZONE)).timestamp())
        for day in range(181 + 365 + 60)
    ]
)
FIRST_DAY = 181

# Clocks go back at 01:00 UTC, so local 01:00-02:00 comes twice. The charting system is shut for the second one,
# as many hospitals do: nothing is written down in it, and a local time in the extract has one meaning.
CHARTING_SHUT_FROM, CHARTING_SHUT_TO = 1_761_440_400, 1_761_444_000  # 2025-10-26 01:00 and 02:00 UTC
LAST_ROUND_BEFORE_SHUT = CHARTING_SHUT_FROM - HOUR // 2  # everybody is seen at local 01:30

WARDS = ("Alder", "Birch", "Hazel", "Juniper", "Rowan", "Willow")
ALDER, BIRCH, HAZEL, JUNIPER, ROWAN, WILLOW = range(6)
CRITICAL_CARE = JUNIPER
SITES = ("North", "South")
SPECIALTIES = ("acute medicine", "respiratory medicine", "older people's medicine", "surgery")
ACUTE, RESPIRATORY, OLDER_PEOPLE, SURGERY = range(4)
# How readily each ward steps oxygen down, against the hospital's mean.
WARD_CARE: Floats = np.array([0.9, 1.35, 0.9, 1.5, 0.85, 0.8])


class Change(NamedTuple):
    """A chance before the improvement and after it."""

    before: float
    after: float

    def at(self, at: Ints) -> Floats:
        """The chance at each instant: it moves from one to the other over the first weeks of January 2026."""
        done = np.clip((at - IMPROVEMENT_START) / IMPROVEMENT_SETTLES, 0.0, 1.0)
        return self.before + (self.after - self.before) * done


def local_hour(at: Ints) -> Floats:
    """Hour of the local day, 0 up to 24, at each instant."""
    day = np.searchsorted(MIDNIGHTS, at, side="right") - 1
    return (at - MIDNIGHTS[day]) / HOUR


def is_weekend(at: Ints) -> Bools:
    """True on a local Saturday or Sunday; 1 January 2025 was a Wednesday."""
    day = np.searchsorted(MIDNIGHTS, at, side="right") - 1
    return (day + 2) % 7 >= 5


def month_index(at: Ints) -> Ints:
    """Which of the twelve local months each instant lies in, 0 for July 2025."""
    return np.searchsorted(MONTH_STARTS, at, side="right") - 1


def charting_is_shut(at: Ints) -> Bools:
    """True in the hour of October in which nothing is charted."""
    return (at >= CHARTING_SHUT_FROM) & (at < CHARTING_SHUT_TO)


def out_of_shut_hour(at: Ints) -> Ints:
    """Move planned instants out of the shut hour, by one hour."""
    return np.where(charting_is_shut(at), at + HOUR, at)
