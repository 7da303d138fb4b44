"""What a report reads from a measured store, one query each. Times come out in the store's zone."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.vocabulary import EVIDENCE


def summaries(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """`month_summary` as it is: one row per month, ward (null: all) and group (null: all)."""
    return con.table("month_summary").pl()


def changes(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """`month_changes` as it is: one row per month, ward and group with a month before it."""
    return con.table("month_changes").pl()


def measures(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """`measure_summary` as it is: one row per measure, month, ward and group."""
    return con.table("measure_summary").pl()


def zone(con: duckdb.DuckDBPyConnection) -> str:
    """The time zone of the store, in which months and the times shown are meant."""
    return str(con.execute("select value from store_facts where name = 'zone'").fetchall()[0][0])


def as_of(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """The latest instant (UTC) up to which a loaded extract can be trusted; null before any load."""
    return con.execute("select max(as_of) from load_ledger").fetchall()[0][0]


def local(moment: datetime, zone_name: str) -> datetime:
    """A UTC instant as the clock on the wall of this zone showed it."""
    return moment.replace(tzinfo=UTC).astimezone(ZoneInfo(zone_name)).replace(tzinfo=None)


def month_bounds(month: str, next_month: str, zone_name: str) -> tuple[datetime, datetime]:
    """The first instant of a local calendar month and the first after it, in UTC."""
    first, after = (
        datetime(int(each[:4]), int(each[5:7]), 1, tzinfo=ZoneInfo(zone_name)).astimezone(UTC)
        for each in (month, next_month)
    )
    return first.replace(tzinfo=None), after.replace(tzinfo=None)


def evidence_counts(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, int]:
    """Patients with time in this month in a stay that holds evidence of CO2 retention, by their strongest evidence."""
    strongest = con.execute(
        """
        with present as (
            select
                retainers.patient_key,
                min(list_position(?, retainers.retainer_ever)) as place
            from retainers
            join stay_month_time
                on stay_month_time.stay_id = retainers.stay_id
            where stay_month_time.month = ?
            group by retainers.patient_key
        )
        select
            place,
            count(*) as patients
        from present
        group by place
        """,
        [list(EVIDENCE), month],
    ).fetchall()
    return {EVIDENCE[place - 1]: patients for place, patients in strongest}


def episodes(con: duckdb.DuckDBPyConnection, start: datetime, end: datetime, zone_name: str) -> pl.DataFrame:
    """The episodes of high inspired oxygen that started in [start, end), with local times.

    One row per episode; beside columns of `high_fio2_episodes`: `peak_fio2_low` and `peak_fio2_high`, the
    plausible range of the peak (equal where the fraction was recorded; null where no range is known).
    """
    frame = con.sql(
        """
        with peaks as (
            select
                stay_id,
                device,
                fio2,
                min(fio2_low) as peak_fio2_low,
                max(fio2_high) as peak_fio2_high
            from conditions
            where fio2 is not null
            group by
                stay_id,
                device,
                fio2
        )
        select
            high_fio2_episodes.stay_id,
            high_fio2_episodes.started_at,
            high_fio2_episodes.high_s,
            high_fio2_episodes.peak_fio2,
            high_fio2_episodes.device_at_peak,
            high_fio2_episodes.ward,
            high_fio2_episodes.lower_percent,
            high_fio2_episodes.upper_percent,
            high_fio2_episodes.retainer_at_start,
            high_fio2_episodes.retainer_ever,
            high_fio2_episodes.below_s,
            high_fio2_episodes.above_on_oxygen_s,
            high_fio2_episodes.unobserved_s,
            high_fio2_episodes.spo2_min,
            high_fio2_episodes.spo2_max,
            high_fio2_episodes.gas_before_at,
            high_fio2_episodes.gas_before_pco2_kpa,
            high_fio2_episodes.gas_before_ph,
            high_fio2_episodes.gas_after_pco2_kpa,
            high_fio2_episodes.gas_after_ph,
            high_fio2_episodes.gas_after_minutes,
            high_fio2_episodes.repeat_gas_in_time,
            high_fio2_episodes.acidosis_after,
            high_fio2_episodes.saturation_during,
            peaks.peak_fio2_low,
            peaks.peak_fio2_high
        from high_fio2_episodes
        left join peaks
            on peaks.stay_id = high_fio2_episodes.stay_id
            and peaks.device = high_fio2_episodes.device_at_peak
            and peaks.fio2 = high_fio2_episodes.peak_fio2
        where
            high_fio2_episodes.started_at >= ?
            and high_fio2_episodes.started_at < ?
        order by
            high_fio2_episodes.above_on_oxygen_s desc,
            high_fio2_episodes.high_s desc,
            high_fio2_episodes.stay_id,
            high_fio2_episodes.started_at
        """,
        params=[start, end],
    ).pl()
    times = [name for name, kind in frame.schema.items() if kind == pl.Datetime]
    return frame.with_columns(_to_zone(pl.col(name), zone_name) for name in times)


def ledger(con: duckdb.DuckDBPyConnection, zone_name: str) -> pl.DataFrame:
    """`load_ledger` with local times: one row per file of each load, in the order loaded."""
    frame = con.table("load_ledger").order("load_no, table_name, file_name").pl()
    return frame.with_columns(_to_zone(pl.col(name), zone_name) for name in ("loaded_at", "as_of"))


def rejected(con: duckdb.DuckDBPyConnection, examples: int) -> pl.DataFrame:
    """Rows kept aside: one row per table, file, column and rule, with a count and the first row numbers. No cells."""
    return con.sql(
        """
        select
            table_name,
            file_name,
            column_name,
            rule,
            min(reason) as reason,
            count(*) as rows,
            list_slice(list_sort(list(distinct row_number)), 1, ?) as examples
        from rejected_rows
        group by
            table_name,
            file_name,
            column_name,
            rule
        order by
            rows desc,
            table_name,
            file_name,
            column_name,
            rule
        """,
        params=[examples],
    ).pl()


def _to_zone(times: pl.Expr, zone_name: str) -> pl.Expr:
    return times.dt.replace_time_zone("UTC").dt.convert_time_zone(zone_name).dt.replace_time_zone(None)
