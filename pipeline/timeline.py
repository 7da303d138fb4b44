"""The kernel: everything that was charted about a batch of stays becomes one timeline.

Each stay's window `[admitted_at, discharged_at)` (an open stay ends at `as_of`) is cut at every instant at which
anything changes. Between two cuts everything is constant: one row. The tables other than the readings change
seldom, so their cuts are worked out first (`conditions`); the readings then cut these into `spans`.

Inside this module an instant of a stay is one integer, `key = stay_no * 2**34 + seconds since 1970`: sorting and
joining on one number is what makes the kernel fast. Times lie between 1970 and 2500.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.devices_in_force import device_steps
from pipeline.physiology.inspired_oxygen import inspired_oxygen, on_oxygen
from pipeline.policy import Policy
from pipeline.vocabulary import (
    BAND_STATES,
    EVIDENCE,
    EXCLUSION_FLAGS,
    HISTORY_FLAGS,
    RETAINER_TARGET_UPPER_PERCENT,
    RETENTION_SAMPLE_TYPES,
)

_SECONDS_BITS = 34
_BAND_STATE = pl.Enum(BAND_STATES)
_EVIDENCE_RANK = {name: rank for rank, name in enumerate(reversed(EVIDENCE), start=1)}

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
    "reading_taken",
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
        start=_seconds("admitted_at"),
        end=pl.coalesce("discharged_at", "as_of").dt.epoch("s"),
    ).filter(pl.col("end") > pl.col("start"))
    conditions = _conditions(windows, frames, policy, zone)
    return Timeline(
        conditions.drop("stay_no", "outside", "above"),
        _spans(windows, conditions, frames["readings"], policy),
    )


def with_earlier_retention(stays: pl.DataFrame, gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Adds `earlier_retention`: whether another stay of the patient had a retaining gas before this admission.

    In: one row per stay with stay_no, patient_key, admitted_at; one row per gas with stay_no.
    """
    retaining = _retaining(gases, policy).select("stay_no", "taken_at")
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


def _retaining(gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    return gases.filter(
        pl.col("sample_type").is_in(RETENTION_SAMPLE_TYPES) & (pl.col("pco2_kpa") > policy.retainer_pco2_above_kpa)
    )


def _seconds(column: str) -> pl.Expr:
    return pl.col(column).dt.epoch("s")


def _key(at: pl.Expr) -> pl.Expr:
    return (pl.col("stay_no").cast(pl.Int64) * 2**_SECONDS_BITS + at).alias("key")


def _steps(windows: pl.DataFrame, records: pl.DataFrame, values: list[str]) -> pl.DataFrame:
    """Records of one table as steps: one row per instant (`key`) at which the values in force change.

    In: records with stay_no, at, until (null: no end of its own) and the values, each in force from `at` until the
    next record of the stay or `until`. Every stay also gets a step at its start, so that nothing is carried over
    from the stay before it.
    """
    ordered = records.sort("stay_no", "at")
    next_at = pl.col("at").shift(-1).over("stay_no")
    holds = pl.col("until").is_null() | (pl.col("until") > pl.col("at"))
    starts = ordered.select(_key(pl.col("at")), *(pl.when(holds).then(pl.col(name)).alias(name) for name in values))
    runs_out = (pl.col("until") > pl.col("at")) & (next_at.is_null() | (pl.col("until") < next_at))
    ends = ordered.filter(runs_out).select(_key(pl.col("until")))
    resets = windows.select(_key(pl.col("start"))).join(starts, on="key", how="anti")
    return pl.concat([starts, ends, resets], how="diagonal").sort("key").set_sorted("key")


def _conditions(windows: pl.DataFrame, frames: Mapping[str, pl.DataFrame], policy: Policy, zone: str) -> pl.DataFrame:
    layers = [
        _ward_layer(windows, frames["wards"]),
        _month_layer(windows, zone),
        _device_layer(windows, frames["devices"], policy),
        _target_layer(windows, frames["targets"]),
        _exclusion_layer(windows, frames["flags"]),
        _evidence_layer(windows, frames, policy),
    ]
    grid = pl.concat([layer.select("key") for layer in layers]).unique().sort("key").set_sorted("key")
    for layer in layers:
        grid = grid.join_asof(layer, on="key", strategy="backward")
    on_oxygen_now = pl.col("on_oxygen")
    return (
        grid.with_columns(stay_no=(pl.col("key") // 2**_SECONDS_BITS).cast(windows.schema["stay_no"]))
        .join(windows.drop("earlier_retention"), on="stay_no", how="inner", maintain_order="left")
        .filter(pl.col("key") < _key(pl.col("end")))
        .with_columns(
            retainer_ever=_evidence_name(pl.col("evidence").max().over("stay_no")),
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
        .drop("start", "end", "evidence")
        .rename({"key": "condition_no"})
    )


def _ward_layer(windows: pl.DataFrame, wards: pl.DataFrame) -> pl.DataFrame:
    moves = wards.select("stay_no", "ward", at=_seconds("entered_at"), until=pl.lit(None, dtype=pl.Int64))
    return _steps(windows, moves, ["ward"])


def _month_layer(windows: pl.DataFrame, zone: str) -> pl.DataFrame:
    if windows.is_empty():
        return pl.DataFrame(schema={"key": pl.Int64, "month": pl.String})
    months = month_starts(zone, windows["start"].min(), windows["end"].max())  # type: ignore[arg-type]
    first = windows.select("stay_no", at="start").sort("at").join_asof(months, on="at", strategy="backward")
    later = windows.select("stay_no", "start", "end").join_where(
        months, pl.col("at") > pl.col("start"), pl.col("at") < pl.col("end")
    )
    columns = ["stay_no", "at", "month"]
    changes = pl.concat([first.select(columns), later.select(columns)])
    return _steps(windows, changes.with_columns(until=pl.lit(None, dtype=pl.Int64)), ["month"])


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


def _device_layer(windows: pl.DataFrame, devices: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    values = ["device", "flow_l_min", "fio2", "fio2_low", "fio2_high", "on_oxygen"]
    records = (
        devices.with_columns(at=_seconds("started_at"), ended=_seconds("ended_at"))
        .sort("stay_no", "at")
        .with_columns(*inspired_oxygen(policy), on_oxygen())
    )
    steps = device_steps(records, policy).with_columns(pl.col("stay_no").cast(records.schema["stay_no"]))
    described = records.select(values).with_row_index("record").with_columns(pl.col("record").cast(pl.Int64))
    in_force = steps.join(described, on="record", how="left", maintain_order="left")
    return _steps(windows, in_force.with_columns(until=pl.lit(None, dtype=pl.Int64)), values)


def _target_layer(windows: pl.DataFrame, targets: pl.DataFrame) -> pl.DataFrame:
    prescribed = targets.with_columns(at=_seconds("prescribed_at"), until=_seconds("stopped_at"))
    return _steps(windows, prescribed, ["lower_percent", "upper_percent"])


def _exclusion_layer(windows: pl.DataFrame, flags: pl.DataFrame) -> pl.DataFrame:
    """Steps of `excluded`: the first by name of the exclusion flags in force, which may overlap."""
    lasting = (
        flags.filter(pl.col("flag").is_in(EXCLUSION_FLAGS))
        .join(windows.select("stay_no", "start", "end"), on="stay_no")
        .select(
            "stay_no",
            "flag",
            at=pl.max_horizontal(_seconds("flagged_at"), "start"),
            until=pl.min_horizontal(_seconds("until_at"), "end"),
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
    steps = counted.select("stay_no", "at", excluded=first_by_name, until=pl.lit(None, dtype=pl.Int64))
    return _steps(windows, steps, ["excluded"])


def _evidence_layer(windows: pl.DataFrame, frames: Mapping[str, pl.DataFrame], policy: Policy) -> pl.DataFrame:
    """Steps of `evidence`: rank of the strongest evidence of CO2 retention so far."""
    flagged = frames["flags"].filter(pl.col("flag").is_in(HISTORY_FLAGS))
    low_target = frames["targets"].filter(pl.col("upper_percent") <= RETAINER_TARGET_UPPER_PERCENT)
    found = pl.concat(
        [
            _retaining(frames["gases"], policy).select("stay_no", at=_seconds("taken_at"), kind=pl.lit("gas")),
            windows.filter("earlier_retention").select("stay_no", at="start", kind=pl.lit("history")),
            flagged.select("stay_no", at=_seconds("flagged_at"), kind=pl.lit("history")),
            low_target.select("stay_no", at=_seconds("prescribed_at"), kind=pl.lit("target")),
        ]
    )
    strongest = (
        found.join(windows.select("stay_no", "start"), on="stay_no")
        .with_columns(
            at=pl.max_horizontal("at", "start"),
            evidence=pl.col("kind").replace_strict(_EVIDENCE_RANK, return_dtype=pl.Int8),
        )
        .group_by("stay_no", "at")
        .agg(pl.col("evidence").max())
        .sort("stay_no", "at")
        .with_columns(pl.col("evidence").cum_max().over("stay_no"), until=pl.lit(None, dtype=pl.Int64))
    )
    return _steps(windows, strongest, ["evidence"])


def _evidence_name(rank: pl.Expr) -> pl.Expr:
    return rank.replace_strict({r: name for name, r in _EVIDENCE_RANK.items()}, return_dtype=pl.String, default=None)


def _spans(windows: pl.DataFrame, conditions: pl.DataFrame, readings: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Cuts the conditions at every reading and at every reading that runs out."""
    carry = int(policy.reading_carry_hours * 3600)
    taken = readings.select(_key(_seconds("taken_at")), "spo2_percent", taken=pl.lit(True))
    if not taken["key"].is_sorted():
        taken = taken.sort("key")
    next_key = pl.col("key").shift(-1)
    # A reading that runs out after its stay has ended cuts nothing: the end of the stay comes first.
    run_out = taken.filter(next_key.is_null() | (next_key - pl.col("key") > carry)).select(pl.col("key") + carry)
    ends = windows.select(_key(pl.col("end")))
    resets = windows.select(_key(pl.col("start"))).join(taken, on="key", how="anti")
    silent = pl.concat([run_out, resets]).with_columns(spo2_percent=pl.lit(None, dtype=pl.Float64), taken=pl.lit(False))
    saturation = taken.set_sorted("key").merge_sorted(silent.sort("key"), "key")

    context = conditions.select(
        "condition_no", "lower_percent", "upper_percent", "outside", "above", key="condition_no"
    )
    context = pl.concat([context, ends], how="diagonal").sort("key").set_sorted("key")
    grid = saturation.select("key").merge_sorted(context.select("key"), "key")
    grid = grid.filter(pl.col("key").ne_missing(pl.col("key").shift(1))).set_sorted("key")
    spo2 = pl.col("spo2_percent")
    return (
        grid.join_asof(saturation.with_columns(reading_key="key").set_sorted("key"), on="key", strategy="backward")
        .join_asof(context, on="key", strategy="backward")
        .with_columns(seconds=(pl.col("key").shift(-1) - pl.col("key")).cast(pl.Int32, strict=False))
        # Nothing is in force between the end of one stay and the start of the next.
        .filter(pl.col("condition_no").is_not_null())
        .select(
            "condition_no",
            pl.from_epoch(pl.col("key") % 2**_SECONDS_BITS, "s").cast(pl.Datetime("us")).alias("started_at"),
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
            (pl.col("taken") & (pl.col("reading_key") == pl.col("key"))).alias("reading_taken"),
        )
    )
