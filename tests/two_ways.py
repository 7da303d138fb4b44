"""The same question put to the tool and to the slow walk, so that a hand-worked answer checks both."""

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from pipeline.episodes import high_fio2_episodes
from pipeline.measure import stay_band_time
from pipeline.policy import read_policy
from pipeline.timeline import Timeline, build_timeline
from tests import oracle, oracle_episodes
from tests.charts import ADMITTED, Tables
from tests.strategies import frames

WAYS = ("tool", "walk")


def _timeline(tables: Tables, zone: str, as_of: datetime) -> Timeline:
    return build_timeline(frames(tables, as_of), read_policy(), zone)


def _as_of(tables: Tables, as_of: datetime | None) -> datetime:
    """Where none is given, the latest end of a stay."""
    ends = [row["discharged_at"] for row in tables["stays"] if row["discharged_at"]]
    return as_of or max(ends)


def band_rows(way: str, tables: Tables, zone: str = "UTC", as_of: datetime | None = None) -> list[dict[str, Any]]:
    """The rows of `stay_band_time`."""
    as_of = _as_of(tables, as_of)
    if way == "tool":
        return stay_band_time(_timeline(tables, zone, as_of)).to_dicts()
    return oracle.stay_band_time(tables, zone, as_of, step=_step(tables, as_of))


def minutes_in(
    way: str, tables: Tables, zone: str = "UTC", as_of: datetime | None = None, by: str | None = None
) -> dict[Any, Any]:
    """Minutes in each band state that occurs, over all rows; `by`: one such dictionary for each value there."""
    split: dict[Any, dict[str, float]] = {}
    for row in band_rows(way, tables, zone, as_of):
        total = split.setdefault(row[by] if by else None, {})
        for state, column in oracle.BAND_COLUMNS.items():
            if row[column]:
                total[state] = total.get(state, 0) + row[column] / 60
    return split if by else split.get(None, {})


def state(way: str, tables: Tables, minute: float, zone: str = "UTC", as_of: datetime | None = None) -> dict[str, Any]:
    """What the timeline of the first stay says that many minutes after the usual admission."""
    as_of = _as_of(tables, as_of)
    at = ADMITTED + timedelta(minutes=minute)
    stay = tables["stays"][0]
    if way == "walk":
        return oracle.state_at(stay, tables, zone, as_of, oracle.DEFAULTS, at)
    rows = (
        _timeline(tables, zone, as_of)
        .joined()
        .filter(pl.col("stay_id") == stay["stay_id"], pl.col("started_at") <= at, pl.col("ended_at") > at)
    )
    assert rows.height == 1
    return rows.row(0, named=True)


def episodes(way: str, tables: Tables) -> list[dict[str, Any]]:
    """The rows of `high_fio2_episodes`, times as minutes from the usual admission."""
    as_of = _as_of(tables, None)
    if way == "walk":
        rows = oracle_episodes.high_fio2_episodes(tables, "UTC", as_of, step=_step(tables, as_of))
    else:
        gases = frames(tables, as_of)["gases"]
        rows = high_fio2_episodes(_timeline(tables, "UTC", as_of), gases, read_policy()).to_dicts()
    return [
        {
            column: (value - ADMITTED).total_seconds() / 60 if isinstance(value, datetime) else value
            for column, value in row.items()
        }
        for row in sorted(rows, key=lambda row: (row["stay_id"], row["started_at"]))
    ]


def _step(tables: Tables, as_of: datetime) -> int:
    return oracle.exact_step(tables, as_of, oracle.DEFAULTS)
