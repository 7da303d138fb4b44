"""The layers of a stay: for ward, month, device, target, exclusion and evidence, the instants at which each changes.

A layer has one row per step with `key` (see `stay_key`), in order of it, and the values in force from then on, null for
none. Before its first step nothing holds in a stay.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from pipeline.devices_in_force import device_steps
from pipeline.physiology.inspired_oxygen import inspired_oxygen, on_oxygen
from pipeline.policy import Policy
from pipeline.vocabulary import (
    EVIDENCE,
    EXCLUSION_FLAGS,
    HISTORY_FLAGS,
    RETAINER_TARGET_UPPER_PERCENT,
    RETENTION_SAMPLE_TYPES,
)

SECONDS_BITS = 34
EVIDENCE_RANK = {name: rank for rank, name in enumerate(reversed(EVIDENCE), start=1)}


def retaining_gases(gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """The arterial and capillary gases that show CO2 retention; a venous gas never does."""
    return gases.filter(
        pl.col("sample_type").is_in(RETENTION_SAMPLE_TYPES) & (pl.col("pco2_kpa") > policy.retainer_pco2_above_kpa)
    )


def epoch_s(column: str) -> pl.Expr:
    """A column of times in UTC as whole seconds since 1970."""
    return pl.col(column).dt.epoch("s")


def stay_key(at: pl.Expr) -> pl.Expr:
    """An instant (seconds since 1970) of a stay as one integer, so that sorting and joining need one column only."""
    return (pl.col("stay_no").cast(pl.Int64) * 2**SECONDS_BITS + at).alias("key")


def time_of(key: pl.Expr) -> pl.Expr:
    """The time, in UTC, of an instant that has its stay in it (see `stay_key`)."""
    return pl.from_epoch(key % 2**SECONDS_BITS, "s").cast(pl.Datetime("us"))


def _steps(records: pl.DataFrame, values: list[str]) -> pl.DataFrame:
    """Records of one table as steps: one row per instant (`key`) at which the values in force change.

    In: records with stay_no, at and the values, each in force from `at` until the next record of the stay or, where
    there is a column `until` and it is not null, until then.
    """
    starts = records.with_columns(stay_key(pl.col("at"))).sort("key")
    if "until" not in records.columns:
        return starts.select("key", *values)
    holds = pl.col("until").is_null() | (pl.col("until") > pl.col("at"))
    until = stay_key(pl.col("until"))
    # The key of another stay is greater than any instant of this one.
    runs_out = (pl.col("until") > pl.col("at")) & (until < pl.col("key").shift(-1)).fill_null(True)
    ends = starts.filter(runs_out).select(until)
    held = starts.select("key", *(pl.when(holds).then(pl.col(name)).alias(name) for name in values))
    return pl.concat([held, ends], how="diagonal").sort("key")


def in_force(layer: pl.DataFrame, keys: np.ndarray, not_before: np.ndarray) -> pl.DataFrame:
    """The values of a layer at some instants, all null where its last step lies before `not_before`.

    keys: the instants, in order; not_before: for each the key of the start of its stay.
    """
    steps = layer["key"].to_numpy()
    last = np.searchsorted(steps, keys, side="right") - 1
    holds = last >= 0
    holds[holds] = steps[last[holds]] >= not_before[holds]
    row = pl.Series(last).set(pl.Series(~holds), None)
    return layer.select(pl.exclude("key").gather(row))


def ward_layer(wards: pl.DataFrame) -> pl.DataFrame:
    """Steps of `ward`; null before the first move."""
    return _steps(wards.with_columns(at=epoch_s("entered_at")), ["ward"])


def month_layer(windows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Steps of `month`, the calendar month of `zone`."""
    if windows.is_empty():
        return pl.DataFrame(schema={"key": pl.Int64, "month": pl.String})
    months = month_starts(zone, windows["start"].min(), windows["end"].max())  # type: ignore[arg-type]
    starts, ends, begins = windows["start"].to_numpy(), windows["end"].to_numpy(), months["at"].to_numpy()
    first = np.searchsorted(begins, starts, side="right") - 1
    touched = np.searchsorted(begins, ends, side="left") - first
    window = np.repeat(np.arange(windows.height), touched)
    further = np.arange(len(window)) - np.repeat(np.cumsum(touched) - touched, touched)
    month = first[window] + further
    steps = pl.DataFrame(
        {
            "stay_no": windows["stay_no"].gather(window),
            "at": np.where(further == 0, starts[window], begins[month]),
            "month": months["month"].gather(month),
        }
    )
    return _steps(steps, ["month"])


def month_starts(zone: str, first: int, last: int) -> pl.DataFrame:
    """One row per calendar month of `zone` touching [first, last] (seconds since 1970): `month`, `at` its start."""
    local, stop = (datetime.fromtimestamp(at, UTC).astimezone(ZoneInfo(zone)) for at in (first, last))
    rows = []
    year, month = local.year, local.month
    while (year, month) <= (stop.year, stop.month):
        start = datetime(year, month, 1, tzinfo=ZoneInfo(zone))
        rows.append({"at": int(start.timestamp()), "month": f"{year:04d}-{month:02d}"})
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
    return pl.DataFrame(rows, schema={"at": pl.Int64, "month": pl.String}).set_sorted("at")


def device_layer(devices: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Steps of the device in force, with its flow, estimated inspired fraction and whether oxygen flows."""
    values = ["device", "flow_l_min", "fio2", "fio2_low", "fio2_high", "on_oxygen"]
    records = (
        devices.with_columns(at=epoch_s("started_at"), ended=epoch_s("ended_at"))
        .sort("stay_no", "at")
        .with_columns(*inspired_oxygen(policy), on_oxygen())
    )
    steps = device_steps(records, policy).with_columns(pl.col("stay_no").cast(records.schema["stay_no"]))
    described = records.select(values).with_row_index("record").with_columns(pl.col("record").cast(pl.Int64))
    return _steps(steps.join(described, on="record", how="left", maintain_order="left"), values)


def target_layer(targets: pl.DataFrame) -> pl.DataFrame:
    """Steps of the limits in force: of the latest prescription, null once it was stopped."""
    prescribed = targets.with_columns(at=epoch_s("prescribed_at"), until=epoch_s("stopped_at"))
    return _steps(prescribed, ["lower_percent", "upper_percent"])


def exclusion_layer(windows: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    """Steps of `excluded`: the first by name of the exclusion flags in force, which may overlap."""
    lasting = (
        flags.filter(pl.col("flag").is_in(EXCLUSION_FLAGS))
        .join(windows.select("stay_no", "start", "end"), on="stay_no")
        .select(
            "stay_no",
            "flag",
            at=pl.max_horizontal(epoch_s("flagged_at"), "start"),
            until=pl.min_horizontal(epoch_s("until_at"), "end"),
        )
        .filter(pl.col("until") > pl.col("at"))
    )
    edges = pl.concat(
        [
            lasting.select("stay_no", "flag", "at", change=1),
            lasting.select("stay_no", "flag", at="until", change=-1),
        ]
    )
    names = sorted(EXCLUSION_FLAGS)
    counted = (
        edges.group_by("stay_no", "at")
        .agg(pl.col("change").filter(pl.col("flag") == name).sum().alias(name) for name in names)
        .sort("stay_no", "at")
        .with_columns(pl.col(name).cum_sum().over("stay_no") for name in names)
    )
    first_by_name = pl.coalesce(pl.when(pl.col(name) > 0).then(pl.lit(name)) for name in names)
    return _steps(counted.select("stay_no", "at", excluded=first_by_name), ["excluded"])


def evidence_layer(windows: pl.DataFrame, frames: Mapping[str, pl.DataFrame], policy: Policy) -> pl.DataFrame:
    """Steps of `evidence`: rank of the strongest evidence of CO2 retention so far."""
    flagged = frames["flags"].filter(pl.col("flag").is_in(HISTORY_FLAGS))
    low_target = frames["targets"].filter(pl.col("upper_percent") <= RETAINER_TARGET_UPPER_PERCENT)
    found = pl.concat(
        [
            retaining_gases(frames["gases"], policy).select("stay_no", at=epoch_s("taken_at"), kind=pl.lit("gas")),
            windows.filter("earlier_retention").select("stay_no", at="start", kind=pl.lit("history")),
            flagged.select("stay_no", at=epoch_s("flagged_at"), kind=pl.lit("history")),
            low_target.select("stay_no", at=epoch_s("prescribed_at"), kind=pl.lit("target")),
        ]
    )
    strongest = (
        found.join(windows.select("stay_no", "start"), on="stay_no")
        .with_columns(
            at=pl.max_horizontal("at", "start"),
            evidence=pl.col("kind").replace_strict(EVIDENCE_RANK, return_dtype=pl.Int8),
        )
        .group_by("stay_no", "at")
        .agg(pl.col("evidence").max())
        .sort("stay_no", "at")
        .with_columns(pl.col("evidence").cum_max().over("stay_no"))
    )
    return _steps(strongest, ["evidence"])
