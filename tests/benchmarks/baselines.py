"""What band time costs otherwise, on the same Parquet files: a bare scan, a plain pandas script, SQL with windows.

The files of one size are the folders of `tests/benchmarks/hospital.py`, one a part.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

_KEYS = ["stay_id", "patient_key", "month", "lower_percent", "upper_percent", "state"]


def _files(parts: Sequence[Path], table: str) -> str:
    return "[" + ", ".join(f"'{part / f'{table}.parquet'}'" for part in parts) + "]"


def scan(parts: Sequence[Path]) -> int:
    """DuckDB reads the columns that band time needs and sums them, nothing else: the floor. Returns the readings."""
    import duckdb

    [(rows, _, _)] = duckdb.execute(
        f"select count(stay_id), sum(epoch(taken_at)), sum(spo2_percent) from read_parquet({_files(parts, 'readings')})"
    ).fetchall()
    return int(rows)


def pandas_script(parts: Sequence[Path]) -> int:
    """What an analyst would write by hand: sort, merge_asof for target and device, shift, group and sum.

    It does not cut at changes between readings and so does less than the tool. Returns the rows of its result.
    """
    import pandas as pd

    names = ("stays", "readings", "targets", "devices")
    tables = {name: pd.concat([pd.read_parquet(part / f"{name}.parquet") for part in parts]) for name in names}
    rows = tables["readings"].sort_values("taken_at")
    targets = tables["targets"].sort_values("prescribed_at")
    devices = tables["devices"].sort_values("started_at")
    rows = pd.merge_asof(rows, targets, left_on="taken_at", right_on="prescribed_at", by="stay_id")
    rows = pd.merge_asof(rows, devices, left_on="taken_at", right_on="started_at", by="stay_id")
    rows = rows.merge(tables["stays"], on="stay_id").sort_values(["stay_id", "taken_at"])
    following = rows.groupby("stay_id")["taken_at"].shift(-1).fillna(rows["discharged_at"])
    until = np.minimum(following, rows["taken_at"] + pd.Timedelta(hours=6))
    rows["seconds"] = (until - rows["taken_at"]).dt.total_seconds()
    spo2 = rows["spo2_percent"]
    rows["state"] = np.select(
        [
            rows["upper_percent"].isna(),
            spo2 < rows["lower_percent"],
            spo2 <= rows["upper_percent"],
            rows["device"].eq("room_air"),
            rows["device"].isna(),
        ],
        ["no_target", "below", "within", "above_on_air", "above_device_unknown"],
        "above_on_oxygen",
    )
    rows["month"] = rows["taken_at"].dt.strftime("%Y-%m")
    return len(rows.groupby(_KEYS, dropna=False)["seconds"].sum())


def window_sql(parts: Sequence[Path]) -> int:
    """The same logic as the pandas script in one statement of DuckDB: lead, as-of joins, group. Returns its rows."""
    import duckdb

    [(rows,)] = duckdb.execute(
        f"""
        with taken as (
            select
                stay_id,
                taken_at,
                spo2_percent,
                lead(taken_at) over (partition by stay_id order by taken_at) as next_at
            from read_parquet({_files(parts, "readings")})
        ),
        judged as (
            select
                taken.stay_id,
                stays.patient_key,
                strftime(taken.taken_at, '%Y-%m') as month,
                targets.lower_percent,
                targets.upper_percent,
                case
                    when targets.upper_percent is null then 'no_target'
                    when taken.spo2_percent < targets.lower_percent then 'below'
                    when taken.spo2_percent <= targets.upper_percent then 'within'
                    when devices.device = 'room_air' then 'above_on_air'
                    when devices.device is null then 'above_device_unknown'
                    else 'above_on_oxygen'
                end as state,
                epoch(least(coalesce(taken.next_at, stays.discharged_at), taken.taken_at + interval 6 hours))
                    - epoch(taken.taken_at) as seconds
            from taken
            join read_parquet({_files(parts, "stays")}) as stays using (stay_id)
            asof left join read_parquet({_files(parts, "targets")}) as targets
                on targets.stay_id = taken.stay_id and targets.prescribed_at <= taken.taken_at
            asof left join read_parquet({_files(parts, "devices")}) as devices
                on devices.stay_id = taken.stay_id and devices.started_at <= taken.taken_at
        ),
        added_up as (
            select {", ".join(_KEYS)}, sum(seconds) as seconds
            from judged
            group by {", ".join(_KEYS)}
        )
        select count(*) from added_up
        """
    ).fetchall()
    return int(rows)
