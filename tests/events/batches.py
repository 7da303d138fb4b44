"""A batch of stays as the makers of event tables see it, out of a small chart; and their rows, times as minutes."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.episodes import stretches
from pipeline.events.stretches import Batch
from pipeline.policy import Policy, read_policy
from pipeline.timeline import build_timeline
from tests.charts import ADMITTED, Tables
from tests.strategies import frames

POLICY = read_policy()


def batch_of(tables: Tables, policy: Policy = POLICY, zone: str = "UTC", as_of: datetime | None = None) -> Batch:
    """The stays with their numbers, timeline and stretches, as the main flow hands them on."""
    ends = [row["discharged_at"] for row in tables["stays"] if row["discharged_at"]]
    found = frames(tables, as_of or max(ends))
    stays = found["stays"].with_row_index("stay_no")
    number = stays.select("stay_id", "stay_no")
    batch = {name: frame.join(number, on="stay_id").drop("stay_id") for name, frame in found.items() if name != "stays"}
    on_valves = batch["devices"].filter(pl.col("device") == "air_entrainment_mask")
    batch["breathing"] = (
        batch["readings"]
        .filter(pl.col("respiratory_rate").is_not_null())
        .join(on_valves, on="stay_no", how="semi")
        .select("stay_no", "taken_at", "respiratory_rate")
    )
    batch["readings"] = batch["readings"].select("stay_no", "taken_at", "spo2_percent")
    timeline = build_timeline({"stays": stays, **batch}, policy, zone)
    return Batch(timeline, stretches(timeline), {"stays": stays, **batch}, zone)


def rows_of(
    events: Callable[[Batch, Policy], pl.DataFrame], tables: Tables, policy: Policy = POLICY, zone: str = "UTC"
) -> list[dict[str, Any]]:
    """The rows of a table of events, times as minutes from the usual admission."""
    return [
        {
            column: (value - ADMITTED).total_seconds() / 60 if isinstance(value, datetime) else value
            for column, value in row.items()
        }
        for row in events(batch_of(tables, policy, zone), policy).to_dicts()
    ]


def only(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The one row there is to be."""
    assert len(rows) == 1, rows
    return rows[0]
