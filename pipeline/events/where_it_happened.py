"""Where the observed time of a stay lies: part of the day, weekday or weekend, device, and target as prescribed."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import polars as pl

from pipeline.events.stretches import Batch, stay_months
from pipeline.policy import Policy
from pipeline.vocabulary import DEVICES, OBSERVED_STATES

WHERE_COLUMNS = ("stay_id", "month", "dimension", "value", *(f"{state}_s" for state in OBSERVED_STATES))
# A reading speaks for hours: a finer cut of the day would show when charts are written, not when it was too much.
PART_HOURS = 4
PARTS_OF_DAY = tuple(f"{hour:02d}-{hour + PART_HOURS:02d}" for hour in range(0, 24, PART_HOURS))
DAYS = ("weekday", "weekend")
NO_DEVICE = "not_recorded"
# As prescribed; every other band is told apart by whether it suits somebody who retains CO2.
TARGETS = ("88-92", "94-98", "other_up_to_92", "other_over_92")
_SORTED_DEVICES, _SORTED_TARGETS = sorted((*DEVICES, NO_DEVICE)), sorted(TARGETS)
_PART_S = PART_HOURS * 3600
_PARTS = len(PARTS_OF_DAY)
_DAY_S = 86_400
# 1970-01-01 was a Thursday, three days into its week.
_DAYS_INTO_WEEK = 3
_SATURDAY = 5
# Every change of the clocks since 1973 lies on a quarter of an hour (IANA time zone database).
_GRID = "15m"
_SECONDS = tuple(f"{state}_s" for state in OBSERVED_STATES)


def where_it_happened(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per stay, month, dimension and value with observed time under a target: WHERE_COLUMNS, in seconds.

    dimension: `part_of_day` (PARTS_OF_DAY of the clock on the wall, first hour included, last one not), `day`
    (Saturday and Sunday are the weekend), `device` (NO_DEVICE where none was in force), `target` (TARGETS). Each
    dimension holds all of the observed time of the stay and month. Spans are cut where the clocks change: an hour
    that comes twice counts twice, one that never comes does not count.
    """
    conditions = _conditions(batch.timeline.conditions)
    names = conditions.select("stay_month", "stay_id", "month").unique("stay_month")
    observed = _observed(batch).join(conditions.drop("stay_id", "month"), on="condition_no")
    by_clock = _cut_by_part(_on_the_wall(observed, batch.zone))
    part, day = pl.col("from_s") // _PART_S % _PARTS, pl.col("from_s") // _DAY_S
    is_weekend = (day + _DAYS_INTO_WEEK) % 7 >= _SATURDAY
    dimensions = {
        "day": (by_clock, is_weekend.cast(pl.Int64), DAYS),
        "device": (observed, pl.col("device").to_physical(), _SORTED_DEVICES),
        "part_of_day": (by_clock, part, PARTS_OF_DAY),
        "target": (observed, pl.col("target").to_physical(), _SORTED_TARGETS),
    }
    rows = pl.concat(
        _added_up(pieces, place, values, names.height).with_columns(dimension=pl.lit(dimension))
        for dimension, (pieces, place, values) in dimensions.items()
    )
    return (
        # Within a stay and month they are in order.
        rows.sort("stay_month", maintain_order=True)
        .join(names, on="stay_month", maintain_order="left")
        .select(WHERE_COLUMNS)
    )


def _conditions(conditions: pl.DataFrame) -> pl.DataFrame:
    """One row per condition: its stay and month (see `stay_months`), its device and its target."""
    lower, upper = pl.col("lower_percent"), pl.col("upper_percent")
    return stay_months(conditions).hstack(
        conditions.select(
            device=pl.col("device").fill_null(NO_DEVICE).cast(pl.Enum(_SORTED_DEVICES)),
            target=pl.when((lower == 88) & (upper == 92))
            .then(pl.lit("88-92"))
            .when((lower == 94) & (upper == 98))
            .then(pl.lit("94-98"))
            .when(upper <= 92)
            .then(pl.lit("other_up_to_92"))
            .otherwise(pl.lit("other_over_92"))
            .cast(pl.Enum(_SORTED_TARGETS)),
        )
    )


def _observed(batch: Batch) -> pl.DataFrame:
    started_s = pl.col("started_at").dt.epoch("s")
    return batch.timeline.spans.filter(pl.col("band_state").is_in(OBSERVED_STATES)).select(
        "condition_no", "band_state", from_s=started_s, until_s=started_s + pl.col("seconds")
    )


def _added_up(pieces: pl.DataFrame, place: pl.Expr, values: Sequence[str], number: int) -> pl.DataFrame:
    """Pieces `[from_s, until_s)` of time in one state each, as seconds in each state by stay_month and value, in order.

    place: where in `values`, which are sorted, the value of a piece stands. number: how many stay_months there are.
    """
    row = pl.col("stay_month") * len(values) + place
    # The observed states are the first of all.
    cell = row * len(OBSERVED_STATES) + pl.col("band_state").to_physical()
    found = pieces.select(cell=cell, seconds=pl.col("until_s") - pl.col("from_s"))
    cells = number * len(values) * len(OBSERVED_STATES)
    table = np.bincount(found["cell"], found["seconds"], cells).reshape(-1, len(OBSERVED_STATES)).astype(np.int64)
    rows = np.flatnonzero(table.any(axis=1))
    return pl.DataFrame(
        {
            "stay_month": rows // len(values),
            "value": pl.Series(values, dtype=pl.String).gather(rows % len(values)),
            **dict(zip(_SECONDS, table[rows].T, strict=True)),
        }
    )


def _on_the_wall(pieces: pl.DataFrame, zone: str) -> pl.DataFrame:
    """The pieces in seconds of the clock on the wall, cut where the clocks change."""
    if pieces.is_empty():
        return pieces
    [(first_s, last_s)] = pieces.select(pl.col("from_s").min(), pl.col("until_s").max()).rows()
    steady = _steady(zone, first_s // _DAY_S, last_s // _DAY_S)
    begins = steady["steady_from_s"]
    placed = pieces.with_columns(
        stretch=begins.search_sorted(pieces["from_s"], side="right") - 1,
        last=begins.search_sorted(pieces["until_s"], side="left") - 1,
    )
    is_cut = pl.col("stretch") != pl.col("last")
    # Few spans see a change of the clocks.
    cut = placed.filter(is_cut).with_columns(stretch=pl.int_ranges("stretch", pl.col("last") + 1)).explode("stretch")
    east = pl.col("east_s")
    return (
        pl.concat([placed.filter(~is_cut), cut], how="vertical_relaxed")
        .join(steady, on="stretch")
        .select(
            "stay_month",
            "band_state",
            from_s=pl.max_horizontal("from_s", "steady_from_s") + east,
            until_s=pl.min_horizontal("until_s", "steady_until_s") + east,
        )
    )


@lru_cache(maxsize=8)
def _steady(zone: str, first_day: int, last_day: int) -> pl.DataFrame:
    """The stretches in which the zone keeps its distance from UTC, from the first day (since 1970-01-01) to the last.

    One row per `stretch`, numbered from 0: `[steady_from_s, steady_until_s)` in UTC, `east_s` seconds ahead of it.
    """
    days = pl.Series([first_day, last_day + 1]).cast(pl.Date).cast(pl.Datetime("us", "UTC"))
    grid = pl.datetime_range(days[0], days[1], _GRID, eager=True, time_zone="UTC").alias("at").to_frame()
    at_s = pl.col("at").dt.epoch("s")
    there_s = pl.col("at").dt.convert_time_zone(zone).dt.replace_time_zone(None).dt.epoch("s")
    changed = pl.col("east_s").ne_missing(pl.col("east_s").shift(1))
    return (
        grid.select(steady_from_s=at_s, east_s=there_s - at_s)
        .filter(changed)
        .with_columns(steady_until_s=pl.col("steady_from_s").shift(-1).fill_null(2**60))
        .with_row_index("stretch")
    )


def _cut_by_part(pieces: pl.DataFrame) -> pl.DataFrame:
    """The pieces cut at the ends of the parts of the day. A span of equal readings may last for days."""
    first, last = pl.col("from_s") // _PART_S, (pl.col("until_s") - 1) // _PART_S
    part = pl.col("part")
    cut = (
        pieces.filter(first != last)
        .with_columns(part=pl.int_ranges(first, last + 1))
        .explode("part")
        .with_columns(
            from_s=pl.max_horizontal("from_s", part * _PART_S),
            until_s=pl.min_horizontal("until_s", (part + 1) * _PART_S),
        )
        .drop("part")
    )
    return pl.concat([pieces.filter(first == last), cut])
