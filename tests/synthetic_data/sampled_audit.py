"""A plain audit by sampling every twenty minutes, for looking at what the simulated charts say.

Written apart from the tool's own kernel: last reading for 6 hours, last device for 24, target in force.
"""

from datetime import datetime, timedelta

import polars as pl

PERIOD_END = datetime(2026, 6, 30, 23)
EVERY = timedelta(minutes=20)


def sampled_states(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """One row per stay and sampled instant: `at`, `month`, `retainer`, `state`, `on_oxygen`, `ward`, `after`."""
    stays = tables["stays"].with_columns(until=pl.col("discharged_at").fill_null(PERIOD_END))
    sample = (
        stays.select("stay_id", at=pl.datetime_ranges("admitted_at", "until", EVERY, closed="left"))
        .explode("at")
        .sort("at")
    )
    sample = _last(sample, tables["readings"], "taken_at", ["spo2_percent"], timedelta(hours=6))
    sample = _last(sample, tables["wards"], "entered_at", ["ward"], None)
    sample = _last(sample, tables["targets"], "prescribed_at", ["lower_percent", "upper_percent", "stopped_at"], None)
    sample = _last(sample, _worn(tables["devices"]), "started_at", ["oxygen", "ended_at"], timedelta(hours=24))
    oxygen = pl.when(pl.col("ended_at").is_null() | (pl.col("ended_at") > pl.col("at"))).then("oxygen")
    stopped = pl.col("stopped_at") <= pl.col("at")
    upper = pl.when(stopped.fill_null(False)).then(None).otherwise("upper_percent")
    spo2 = pl.col("spo2_percent")
    state = (
        pl.when(pl.col("ward") == "Juniper")
        .then(pl.lit("excluded"))
        .when(upper.is_null())
        .then(pl.lit("no_target"))
        .when(spo2.is_null())
        .then(pl.lit("unobserved"))
        .when(spo2 < pl.col("lower_percent"))
        .then(pl.lit("below"))
        .when(spo2 <= upper)
        .then(pl.lit("within"))
        .when(oxygen)
        .then(pl.lit("above_on_oxygen"))
        .otherwise(pl.lit("above_otherwise"))
    )
    local = pl.col("at").dt.replace_time_zone("UTC").dt.convert_time_zone("Europe/London")
    return sample.select(
        "stay_id",
        "at",
        "ward",
        month=local.dt.strftime("%Y-%m"),
        retainer=pl.col("stay_id").is_in(retainer_stays(tables).implode()),
        state=state,
        on_oxygen=oxygen,
        after=pl.col("at") >= datetime(2026, 2, 1),
        before=pl.col("at") < datetime(2026, 1, 1),
    )


def _worn(devices: pl.DataFrame) -> pl.DataFrame:
    worn = devices.filter(pl.col("device") != "oxygen_driven_nebuliser")
    off = (pl.col("device") == "room_air") | (pl.col("flow_l_min") == 0).fill_null(False)
    return worn.with_columns(oxygen=~off)


def _last(
    sample: pl.DataFrame, records: pl.DataFrame, time: str, columns: list[str], carry: timedelta | None
) -> pl.DataFrame:
    right = records.select("stay_id", *columns, at=pl.col(time)).sort("at")
    return sample.join_asof(right, on="at", by="stay_id", strategy="backward", tolerance=carry, check_sortedness=False)


def retainer_stays(tables: dict[str, pl.DataFrame]) -> pl.Series:
    """Stays with a retaining gas, a history flag or a target up to 92 %, or a patient's earlier retaining gas."""
    gas = tables["gases"].filter((pl.col("sample_type") != "venous") & (pl.col("pco2_kpa") > 6.0))
    flag = tables["flags"].filter(pl.col("flag").is_in(["previous_hypercapnia", "oxygen_alert", "home_ventilation"]))
    target = tables["targets"].filter(pl.col("upper_percent") <= 92)
    stays = tables["stays"]
    earlier = gas.join(stays, on="stay_id").select("patient_key", "taken_at").join(stays, on="patient_key")
    earlier = earlier.filter(pl.col("taken_at") < pl.col("admitted_at"))
    return pl.concat([frame.select("stay_id") for frame in (gas, flag, target, earlier)]).to_series().unique()


def shares(states: pl.DataFrame) -> dict[str, float]:
    """Share of observed time in each state, of all time for `no_target` and `unobserved`."""
    counts = dict(states.group_by("state").len().iter_rows())
    seen = sum(counts.get(name, 0) for name in ("below", "within", "above_on_oxygen", "above_otherwise"))
    observed = {name: counts.get(name, 0) / seen for name in ("below", "within", "above_on_oxygen", "above_otherwise")}
    return observed | {name: counts.get(name, 0) / states.height for name in ("no_target", "unobserved")}
