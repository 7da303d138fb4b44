"""Measures one batch of stays: every table that is made from the rows of the stays themselves. A pure function.

Whatever runs batch after batch over many stays calls this and nothing else: a stay gives the same rows in every batch.
"""

from collections.abc import Mapping

import polars as pl

from pipeline.episodes import episodes_with_gases, stretches
from pipeline.event_tables import EVENT_TABLES
from pipeline.events.stretches import Batch
from pipeline.policy import Policy
from pipeline.timeline import build_timeline

# In the order in which they are stored. Each row of `spans` belongs to a row of `conditions`.
BATCH_TABLES = ("conditions", "spans", "high_fio2_episodes", *EVENT_TABLES)


def timeline_of_batch(frames: Mapping[str, pl.DataFrame], policy: Policy, zone: str) -> dict[str, pl.DataFrame]:
    """The two tables of the timeline alone; see `measure_batch`."""
    timeline = build_timeline(frames, policy, zone)
    return {"conditions": timeline.conditions, "spans": timeline.spans}


def measure_batch(frames: Mapping[str, pl.DataFrame], policy: Policy, zone: str) -> dict[str, pl.DataFrame]:
    """The timeline, the episodes and the tables of events of some stays, each stay whole.

    In: one frame per table of the extract with stay_no, as `build_timeline` wants them (`stays` with
    `earlier_retention`, which looks at other stays of the patient), and `breathing`: one row per reading with a
    respiratory rate of a stay with an air-entrainment mask (stay_no, taken_at, respiratory_rate). zone: the time zone
    whose calendar months are used.
    Out: one frame per table of BATCH_TABLES, by its name in the store and with its columns; `band_state` of `spans` is
    an enumeration of its words.
    """
    timeline = build_timeline(frames, policy, zone)
    batch = Batch(timeline, stretches(timeline), frames, zone)
    return {
        "conditions": timeline.conditions,
        "spans": timeline.spans,
        "high_fio2_episodes": episodes_with_gases(batch.stretches, batch.rows("gases"), policy),
        **{table: events(batch, policy) for table, events in EVENT_TABLES.items()},
    }
