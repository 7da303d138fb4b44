"""The words for the places that time can lie in, and what may be said of one beside all others.

A place stands apart only where the interval of its difference from everywhere else leaves 0 out, and where it rests on
enough patients.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.events.where_it_happened import DAYS, NO_DEVICE, PARTS_OF_DAY, TARGETS
from pipeline.vocabulary import DEVICES
from pipeline.where_pooled import NO_WARD
from reports import wording

ABOVE, BELOW = "above_on_oxygen", "below"
_NIGHT, _DAY = "20:00 to 08:00", "08:00 to 20:00"
_TARGET_NAMES = {
    "88-92": f"88{wording.EN_DASH}92{wording.NO_BREAK}%",
    "94-98": f"94{wording.EN_DASH}98{wording.NO_BREAK}%",
    "other_up_to_92": f"another target, up to 92{wording.NO_BREAK}%",
    "other_over_92": f"another target, over 92{wording.NO_BREAK}%",
}

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Dimension:
    """How a dimension is spoken of: its name, the words for a value and for lying there, and the order of values.

    together: the words for several values; elsewhere: those for everywhere else, empty where values are not compared.
    """

    key: str
    name: str
    named: Callable[[str], str]
    lying: Callable[[str], str]
    together: str
    elsewhere: str
    order: Callable[[str], Any]


def device_name(value: str) -> str:
    """A device in words."""
    return "no device recorded" if value == NO_DEVICE else wording.DEVICE_IN_WORDS.get(value, value)


def _lying_on_device(value: str) -> str:
    return "while no device was recorded" if value == NO_DEVICE else f"on {device_name(value)}"


def _lying_on_ward(value: str) -> str:
    return "before a ward was recorded" if value == NO_WARD else f"on ward {value}"


DIMENSIONS = {
    one.key: one
    for one in (
        Dimension(
            "device",
            "Device",
            device_name,
            _lying_on_device,
            "on less used devices, taken together",
            "on other devices that give oxygen",
            lambda value: (DEVICES.index(value) if value in DEVICES else len(DEVICES), value),
        ),
        Dimension(
            "ward",
            "Ward",
            lambda value: value or "no ward recorded",
            _lying_on_ward,
            "on wards with fewer CO2 retainers, taken together",
            "elsewhere",
            lambda value: (value == NO_WARD, value.casefold(), value),
        ),
        Dimension(
            "target",
            "Target as prescribed",
            lambda value: _TARGET_NAMES[value],
            lambda value: f"under {_TARGET_NAMES[value]}",
            "under less used targets, taken together",
            # The lower a band, the sooner a saturation is above it: bands are told apart, not compared.
            "",
            TARGETS.index,
        ),
        Dimension(
            "night",
            "Night and day",
            lambda value: {"night": f"night, {_NIGHT}", "day": f"day, {_DAY}"}[value],
            lambda value: {"night": f"at night ({_NIGHT})", "day": f"by day ({_DAY})"}[value],
            "",
            "for the rest of it",
            ("night", "day").index,
        ),
        Dimension(
            "day",
            "Day of the week",
            lambda value: {"weekday": "Monday to Friday", "weekend": "Saturday, Sunday"}[value],
            lambda value: {"weekday": "from Monday to Friday", "weekend": "at weekends"}[value],
            "",
            "for the rest of it",
            DAYS.index,
        ),
        Dimension(
            "part_of_day",
            "Time of day",
            lambda value: f"{value[:2]}:00{wording.EN_DASH}{value[3:]}:00",
            lambda value: f"from {value[:2]}:00 to {value[3:]}:00",
            "",
            "for the rest of it",
            PARTS_OF_DAY.index,
        ),
    )
}


def whole_of(rows: pl.DataFrame) -> Row | None:
    """The row over all places; null without observed time."""
    found = rows.filter(pl.col("value").is_null()).rows(named=True)
    return found[0] if found else None


def places_of(rows: pl.DataFrame, key: str) -> list[Row]:
    """The rows of a dimension in the order of its values, those taken together last."""
    order = DIMENSIONS[key].order
    found = rows.filter((pl.col("dimension") == key) & pl.col("value").is_not_null()).rows(named=True)
    return sorted(found, key=lambda row: (row["pooled"] is not None, () if row["pooled"] else order(row["value"])))


def hours(seconds: float) -> str:
    """Time of patients added up, in whole hours.

    >>> hours(0), hours(900), hours(7_300_000)
    ('0 h', 'under 1 h', '2,028 h')
    """
    if 0 < seconds < 3600:
        return "under 1 h"
    return f"{seconds / 3600:,.0f} h"


def is_apart(row: Row, side: str, small: float) -> int:
    """1 where the share is more than elsewhere by more than chance allows and rests on enough patients, -1 if less."""
    low, high = row[f"{side}_from_rest_low"], row[f"{side}_from_rest_high"]
    if not DIMENSIONS[row["dimension"]].elsewhere:
        return 0
    if low is None or high is None or low <= 0 <= high or few(row, side, small):
        return 0
    return 1 if low > 0 else -1


def few(row: Row, side: str, small: float) -> bool:
    """Whether only few patients had any such time there, though more were there."""
    return bool(0 < row[f"patients_{side}"] < small)


def elsewhere(row: Row, side: str) -> float | None:
    """The share everywhere else; null where places are not compared."""
    if not DIMENSIONS[row["dimension"]].elsewhere:
        return None
    apart = row[f"{side}_from_rest"]
    return None if apart is None else row[f"share_{side}"] - apart


def name_of(row: Row, key: str) -> str:
    """A place in words; of those taken together, all of them."""
    named = DIMENSIONS[key].named
    if row["pooled"] is None:
        return named(row["value"])
    return wording.listed_in_words([named(value) for value in sorted(row["pooled"], key=DIMENSIONS[key].order)])


def lying(row: Row, key: str) -> str:
    """Where it is, in words: "on simple mask"."""
    if row["pooled"] is None:
        return DIMENSIONS[key].lying(row["value"])
    return DIMENSIONS[key].together


def compared(row: Row, side: str, key: str, small: float) -> str:
    """The share there beside that everywhere else, and whether chance allows it; empty without an else."""
    other = elsewhere(row, side)
    if other is None:
        return ""
    said = {1: "more than chance allows", -1: "less than chance allows", 0: "no clear difference"}
    judged = "resting on few patients" if few(row, side, small) else said[is_apart(row, side, small)]
    there = wording.percent(row[f"share_{side}"])
    return f"{there} of the observed time there, {wording.percent(other)} {DIMENSIONS[key].elsewhere}: {judged}"
