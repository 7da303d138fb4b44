"""The kernel: everything that was charted about a batch of stays becomes one timeline.

Each stay's window `[admitted_at, discharged_at)` (an open stay ends at `as_of`) is cut at every instant at which
anything changes. Between two cuts everything is constant: one row. The tables other than the readings change
seldom, so their cuts are worked out first (`conditions`); the readings then cut these into `spans`.

Inside this module an instant of a stay is one integer, `key = stay_no * 2**34 + seconds since 1970`: sorting and
joining on one number is what makes the kernel fast. Times lie between 1970 and 2500.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.layers import (
    EVIDENCE_RANK,
    device_layer,
    epoch_s,
    evidence_layer,
    exclusion_layer,
    in_force,
    month_layer,
    retaining_gases,
    stay_key,
    target_layer,
    time_of,
    ward_layer,
)
from pipeline.policy import Policy
from pipeline.reading_runs import reading_runs, with_cuts
from pipeline.vocabulary import BAND_STATES

_BAND_STATE = pl.Enum(BAND_STATES)
_JUDGED_BY = ("condition_no", "lower_percent", "upper_percent", "outside", "above")

TIMELINE_COLUMNS = (
    "stay_id",
    "patient_key",
    "site",
    "ward",
    "month",
    "started_at",
    "ended_at",
    "seconds",
    "spo2_percent",
    "device",
    "flow_l_min",
    "fio2",
    "fio2_low",
    "fio2_high",
    "on_oxygen",
    "lower_percent",
    "upper_percent",
    "excluded",
    "band_state",
    "retainer",
    "retainer_ever",
    "readings",
    "last_reading_s",
)


@dataclass(frozen=True)
class Timeline:
    """The timeline of a batch of stays, in the two parts in which the store keeps it.

    conditions: one row per stretch of a stay in which everything but the saturation stays the same.
    spans: one row per stretch in which nothing changes at all; `condition_no` says under which conditions.
    """

    conditions: pl.DataFrame
    spans: pl.DataFrame

    def joined(self) -> pl.DataFrame:
        """The timeline as documented: one row per span `[started_at, ended_at)` with all its columns."""
        ended_at = pl.col("started_at") + pl.duration(seconds=pl.col("seconds"))
        return (
            self.spans.join(self.conditions, on="condition_no", how="left", maintain_order="left")
            .with_columns(ended_at.alias("ended_at"), pl.col("band_state").cast(pl.String))
            .select(TIMELINE_COLUMNS)
        )


def build_timeline(frames: Mapping[str, pl.DataFrame], policy: Policy, zone: str) -> Timeline:
    """Cuts every stay of the batch at each change and says what held in between.

    In: one frame per table of the extract (`stays`, `wards`, `readings`, `devices`, `targets`, `gases`, `flags`) in
    its canonical columns, times in UTC without zone, whole seconds, no two rows of one identity. `stays` also has
    `as_of` and may have `earlier_retention` (see `with_earlier_retention`; worked out from the frames when absent).
    Frames from the store carry `stay_no`; others are numbered here.
    zone: the time zone whose calendar months are used.
    """
    frames = frames if "stay_no" in frames["stays"].columns else _numbered(frames)
    stays = frames["stays"]
    if "earlier_retention" not in stays.columns:
        stays = with_earlier_retention(stays, frames["gases"], policy)
    windows = stays.select(
        "stay_no",
        "stay_id",
        "patient_key",
        "site",
        "earlier_retention",
        start=epoch_s("admitted_at"),
        end=pl.coalesce("discharged_at", "as_of").dt.epoch("s"),
    )
    windows = windows.filter(pl.col("end") > pl.col("start")).sort("stay_no")
    conditions = _conditions(windows, frames, policy, zone)
    return Timeline(
        conditions.drop("stay_no", "outside", "above"),
        _spans(windows, conditions, frames["readings"], policy),
    )


def with_earlier_retention(stays: pl.DataFrame, gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Adds `earlier_retention`: whether another stay of the patient had a retaining gas before this admission.

    In: one row per stay with stay_no, patient_key, admitted_at; one row per gas with stay_no.
    """
    retaining = retaining_gases(gases, policy).select("stay_no", "taken_at")
    of_patient = retaining.join(stays.select("stay_no", "patient_key"), on="stay_no").rename({"stay_no": "gas_stay"})
    earlier = (
        stays.select("stay_no", "patient_key", "admitted_at")
        .join(of_patient, on="patient_key")
        .filter((pl.col("gas_stay") != pl.col("stay_no")) & (pl.col("taken_at") < pl.col("admitted_at")))
        .get_column("stay_no")
        .unique()
    )
    return stays.with_columns(earlier_retention=pl.col("stay_no").is_in(earlier.implode()))


def _numbered(frames: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    stays = frames["stays"].with_row_index("stay_no")
    number = stays.select("stay_id", "stay_no")
    others = {name: frame.join(number, on="stay_id") for name, frame in frames.items() if name != "stays"}
    return {"stays": stays, **others}


def _conditions(windows: pl.DataFrame, frames: Mapping[str, pl.DataFrame], policy: Policy, zone: str) -> pl.DataFrame:
    """One row per stretch in which all layers stay the same. In: windows, in order of stay_no."""
    layers = [
        ward_layer(frames["wards"]),
        month_layer(windows, zone),
        device_layer(frames["devices"], policy),
        target_layer(frames["targets"]),
        exclusion_layer(windows, frames["flags"]),
        evidence_layer(windows, frames, policy),
    ]
    starts, ends = (windows.select(stay_key(pl.col(name)))["key"].to_numpy() for name in ("start", "end"))
    keys = np.unique(np.concatenate([starts, *(layer["key"].to_numpy() for layer in layers)]))
    window = np.searchsorted(starts, keys, side="right") - 1
    inside = window >= 0
    inside[inside] = keys[inside] < ends[window[inside]]
    keys, window = keys[inside], window[inside]
    last = np.searchsorted(window, window, side="right") - 1
    on_oxygen_now = pl.col("on_oxygen")
    return (
        pl.concat(
            [
                pl.DataFrame({"condition_no": keys}),
                *(in_force(layer, keys, starts[window]) for layer in layers),
                windows.select(pl.col("stay_no", "stay_id", "patient_key", "site").gather(window)),
            ],
            how="horizontal",
        )
        .with_columns(
            # Evidence is never lost: the strongest of a stay is that of its last row.
            retainer_ever=_evidence_name(pl.col("evidence").gather(last)),
            retainer=_evidence_name(pl.col("evidence")),
            # What a span is whatever its saturation, and what it is called when that is above the band.
            outside=pl.when(pl.col("excluded").is_not_null())
            .then(pl.lit("excluded"))
            .when(pl.col("lower_percent").is_null())
            .then(pl.lit("no_target"))
            .cast(_BAND_STATE),
            above=pl.when(on_oxygen_now)
            .then(pl.lit("above_on_oxygen"))
            .when(~on_oxygen_now)
            .then(pl.lit("above_on_air"))
            .otherwise(pl.lit("above_device_unknown"))
            .cast(_BAND_STATE),
        )
        .drop("evidence")
    )


def _evidence_name(rank: pl.Expr) -> pl.Expr:
    return rank.replace_strict({r: name for name, r in EVIDENCE_RANK.items()}, return_dtype=pl.String, default=None)


def _spans(windows: pl.DataFrame, conditions: pl.DataFrame, readings: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Cuts the conditions at every run of equal readings and at every reading that runs out."""
    carry = round(policy.reading_carry_hours * 3600)
    ends = windows.select(stay_key(pl.col("end")))
    # Nothing is in force between the end of one stay and the start of the next: such rows have no condition.
    context = pl.concat([conditions.with_columns(key="condition_no"), ends], how="diagonal").sort("key")
    runs = reading_runs(readings, context, carry)
    rows = with_cuts(runs, context["key"].to_numpy(), carry)
    row = pl.col("context")
    spo2 = pl.col("spo2_percent")
    return (
        rows.with_columns(
            seconds=(pl.col("key").shift(-1) - pl.col("key")).cast(pl.Int32, strict=False),
            **{name: pl.lit(context[name]).gather(row) for name in _JUDGED_BY},
        )
        .filter(pl.col("condition_no").is_not_null())
        .select(
            pl.col("condition_no").set_sorted(),
            time_of(pl.col("key")).alias("started_at"),
            "seconds",
            "spo2_percent",
            pl.when(pl.col("outside").is_not_null())
            .then(pl.col("outside"))
            .when(spo2.is_null())
            .then(pl.lit("unobserved", dtype=_BAND_STATE))
            .when(spo2 < pl.col("lower_percent"))
            .then(pl.lit("below", dtype=_BAND_STATE))
            .when(spo2 <= pl.col("upper_percent"))
            .then(pl.lit("within", dtype=_BAND_STATE))
            .otherwise(pl.col("above"))
            .alias("band_state"),
            "readings",
            "last_reading_s",
        )
    )
