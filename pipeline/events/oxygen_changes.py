"""Changes of the inspired oxygen of a stay, and what the blood gases before and after them were."""

from datetime import timedelta

import polars as pl

from pipeline.events.gas_pairs import gas_pairs
from pipeline.events.stretches import Batch
from pipeline.policy import Policy

CHANGE_COLUMNS = (
    "stay_id",
    "ward",
    "month",
    "changed_at",
    "next_change_at",
    "direction",
    "device_before",
    "device_after",
    "fio2_before",
    "fio2_after",
    "spo2_percent",
    "retainer",
    "retainer_ever",
    "gas_before_at",
    "gas_before_pco2_kpa",
    "gas_before_ph",
    "gas_after_at",
    "gas_after_pco2_kpa",
    "gas_after_ph",
    "gas_after_minutes",
    "pco2_change_kpa",
    "ph_change",
)


def oxygen_changes(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per instant at which the estimated inspired fraction turns into another one: CHANGE_COLUMNS.

    The fraction has to be known, and the time not excluded, just before and from then on: over a gap nobody knows
    when it changed. Another device, flow, ward or month with the same fraction is no change. next_change_at: when the
    fraction is another one, unknown, or the time excluded; null when none of them comes. ward, device_after and
    retainer: from then on; spo2_percent: the reading that speaks then. For the gases see `gas_pairs`; a gas after
    next_change_at is not of this change, one at that instant is. The gas before may have been taken under still
    earlier oxygen.
    """
    changes = _changes(batch.stretches).with_columns(
        look_until=pl.min_horizontal("next_change_at", pl.col("changed_at") + timedelta(hours=policy.gas_pair_hours))
    )
    minutes = (pl.col("gas_after_at") - pl.col("changed_at")).dt.total_seconds() / 60
    return (
        gas_pairs(_with_reading(changes, batch), batch, policy, at="changed_at", until="look_until")
        .with_columns(gas_after_minutes=minutes)
        .select(CHANGE_COLUMNS)
    )


def _changes(stretches: pl.DataFrame) -> pl.DataFrame:
    stay = pl.col("stay_no")
    same_as_before, same_as_next = stay == stay.shift(1), stay == stay.shift(-1)
    return (
        stretches.lazy()
        .with_columns(fio2_after=pl.when(pl.col("excluded").is_null()).then(pl.col("fio2")))
        .with_columns(
            fio2_before=pl.when(same_as_before).then(pl.col("fio2_after").shift(1)),
            device_before=pl.when(same_as_before).then(pl.col("device").shift(1)),
        )
        .rename({"device": "device_after", "started_at": "changed_at"})
        .filter(pl.col("fio2_after").ne_missing(pl.col("fio2_before")))
        .with_columns(next_change_at=pl.when(same_as_next).then(pl.col("changed_at").shift(-1)))
        .filter(pl.col("fio2_before").is_not_null() & pl.col("fio2_after").is_not_null())
        .with_columns(
            direction=pl.when(pl.col("fio2_after") > pl.col("fio2_before"))
            .then(pl.lit("more"))
            .otherwise(pl.lit("less"))
        )
        .collect()
    )


def _with_reading(changes: pl.DataFrame, batch: Batch) -> pl.DataFrame:
    """The saturation of the span that begins with the change: every stretch begins with one."""
    is_first = pl.col("condition_no").ne_missing(pl.col("condition_no").shift(1))
    firsts = batch.timeline.spans.lazy().filter(is_first).select("condition_no", "spo2_percent").collect()
    return changes.join(firsts, on="condition_no", how="left")
