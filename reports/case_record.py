"""Everything the store holds about one stay, read at once; the same frames feed the chart and the tables."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import duckdb
import polars as pl

from pipeline.errors import AuditError
from reports import store_tables

# How the rows of each measured table are ordered; ties are settled so that the page comes out the same each time.
_MEASURED: Mapping[str, str] = {
    "timeline": "started_at",
    "gas_findings": "taken_at",
    "oxygen_changes": "changed_at",
    "high_fio2_episodes": "started_at",
    "episode_estimates": "started_at, estimate",
    "excess_runs": "started_at",
    "valve_stretches": "started_at",
    "pathway_steps": "started_at, step, done_at",
    "stay_band_time": "month, ward, lower_percent, upper_percent, retainer",
}
_CHARTED: Mapping[str, str] = {
    "wards": "entered_at",
    "devices": "started_at",
    "targets": "prescribed_at",
    "flags": "flagged_at, flag",
    "readings": "taken_at",
}


@dataclass(frozen=True)
class Record:
    """One stay. started_at and ended_at: its audited window `[started_at, ended_at)`; is_open: not yet discharged.

    frames: the rows of this stay by table name: those of _MEASURED and _CHARTED. All times are UTC; `zone` is the one
    they are shown in.
    """

    key: str
    zone: str
    started_at: datetime
    ended_at: datetime
    is_open: bool
    frames: Mapping[str, pl.DataFrame]

    @property
    def seconds(self) -> float:
        return (self.ended_at - self.started_at).total_seconds()


def read_record(con: duckdb.DuckDBPyConnection, key: str) -> Record:
    """The stay of this key. Raises AuditError when the store has none, or nothing was measured of it."""
    found = con.execute(
        """
        select
            stay_no,
            admitted_at,
            coalesce(discharged_at, as_of) as ended_at,
            discharged_at is null as is_open
        from stays
        where stay_id = ?
        """,
        [key],
    ).fetchall()
    if not found:
        raise AuditError(_no_such_stay(con))
    stay_no, started_at, ended_at, is_open = found[0]
    frames = {name: _rows(con, name, "stay_id", key, order) for name, order in _MEASURED.items()}
    frames |= {name: _rows(con, name, "stay_no", stay_no, order) for name, order in _CHARTED.items()}
    if frames["timeline"].is_empty():
        raise AuditError(
            "Nothing of this stay can be shown: it has no time before the extract ends, or the store was not measured. "
            "Load an extract that reaches further, or run: bandaudit report --store FILE --out FOLDER"
        )
    return Record(key, store_tables.zone(con), started_at, ended_at, is_open, frames)


def runs(timeline: pl.DataFrame, *columns: str) -> pl.DataFrame:
    """The longest stretches over which these columns keep their values: one row each, `[started_at, ended_at)`."""
    return (
        timeline.with_columns(run=pl.struct(columns).rle_id())
        .group_by("run", maintain_order=True)
        .agg(pl.col(columns).first(), pl.col("started_at").first(), pl.col("ended_at").last())
        .with_columns(seconds=(pl.col("ended_at") - pl.col("started_at")).dt.total_seconds())
        .drop("run")
    )


def readings_with_state(record: Record) -> pl.DataFrame:
    """One row per charted reading of the stay, with what the audit made of it: band_state, and the target in force."""
    spans = record.frames["timeline"].select("started_at", "ended_at", "band_state", "lower_percent", "upper_percent")
    return (
        record.frames["readings"]
        .sort("taken_at")
        .join_asof(spans.sort("started_at"), left_on="taken_at", right_on="started_at", strategy="backward")
        .filter(pl.col("taken_at") < pl.col("ended_at"))
        .drop("started_at", "ended_at")
    )


def _rows(con: duckdb.DuckDBPyConnection, table: str, column: str, value: object, order: str) -> pl.DataFrame:
    # Names of tables and columns are those above; only the key is a parameter.
    return con.sql(f"from {table} where {column} = ? order by {order}", params=[value]).pl()


def _no_such_stay(con: duckdb.DuckDBPyConnection) -> str:
    """What is wrong, and what keys look like here, without any of them and without the one given."""
    counted, shortest, longest, letters, digits, others = con.execute(
        """
        select
            count(*),
            min(length(stay_id)),
            max(length(stay_id)),
            coalesce(bool_or(regexp_matches(stay_id, '[A-Za-z]')), false),
            coalesce(bool_or(regexp_matches(stay_id, '[0-9]')), false),
            coalesce(bool_or(regexp_matches(stay_id, '[^A-Za-z0-9]')), false)
        from stays
        """
    ).fetchall()[0]
    if not counted:
        return "The store holds no stay yet. Load an extract first: bandaudit load EXTRACT --store FILE"
    kinds = [
        name for name, is_there in (("letters", letters), ("digits", digits), ("other characters", others)) if is_there
    ]
    length = f"{shortest}" if shortest == longest else f"{shortest} to {longest}"
    return (
        f"No stay in the store has the key given with --stay. Keys in this store have {length} characters, made of "
        f"{' and '.join(kinds)}; upper and lower case differ. Expected: the stay_id as it stands in the extract or, "
        "where it was loaded with --rekey, the hashed key. The list of episodes in the monthly report and the tables "
        "of `bandaudit export` have it: copy it from there."
    )
