"""Steps of the pathway out of small charts, in minutes from the usual admission."""

from collections.abc import Callable
from datetime import datetime
from typing import Any, NamedTuple

import polars as pl

from pipeline.episodes import stretches
from pipeline.events.stretches import Batch
from pipeline.policy import Policy, read_policy
from pipeline.timeline import build_timeline
from tests.charts import ADMITTED, Tables
from tests.strategies import frames

POLICY = read_policy()


class Made(NamedTuple):
    """What a step says: when its clock started, when it was done (None: not), after how many minutes, and in time."""

    started: float
    done: float | None
    minutes: float
    in_time: bool | None = None


def batch_of(tables: Tables, policy: Policy = POLICY, as_of: datetime | None = None, zone: str = "UTC") -> Batch:
    """The batch that the tool would make of these tables."""
    ends = [row["discharged_at"] for row in tables["stays"] if row["discharged_at"]]
    made = frames(tables, as_of or max(ends))
    stays = made["stays"].with_row_index("stay_no")
    numbers = stays.select("stay_id", "stay_no")
    made = {name: frame.join(numbers, on="stay_id") for name, frame in made.items() if name != "stays"}
    # The store's own tables of a batch have the number only.
    made = {"stays": stays, **{name: frame.drop("stay_id") for name, frame in made.items()}}
    timeline = build_timeline(made, policy, zone)
    return Batch(timeline, stretches(timeline), made)


Maker = Callable[[Batch, Policy], pl.DataFrame]


def rows(maker: Maker, tables: Tables, policy: Policy = POLICY, as_of: datetime | None = None) -> list[dict[str, Any]]:
    """The rows of a step by stay and time, instants as minutes from the usual admission."""
    found = maker(batch_of(tables, policy, as_of), policy).sort("stay_id", "started_at")
    return [
        {
            name: (value - ADMITTED).total_seconds() / 60 if isinstance(value, datetime) else value
            for name, value in row.items()
        }
        for row in found.to_dicts()
    ]


def made(maker: Maker, tables: Tables, policy: Policy = POLICY) -> list[Made]:
    """The same in short."""
    short = []
    for row in rows(maker, tables, policy):
        assert row["done"] == (row["done_at"] is not None)
        short.append(Made(row["started_at"], row["done_at"], row["minutes"], row["in_time"]))
    return short
