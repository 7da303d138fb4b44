"""What a report reads from a measured store, one query each. Times come out in the store's zone."""

from datetime import UTC, datetime
from typing import Any
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


def distances(con: duckdb.DuckDBPyConnection, month: str) -> pl.DataFrame:
    """One row per group (retainer / other): patients, readings under a target, and how many in each step outside."""
    return con.sql(
        """
        select
            groups.retainer_group as "group",
            count(distinct groups.patient_key) as patients,
            sum(readings) as readings,
            sum(below_by_1) as below_by_1,
            sum(below_by_2) as below_by_2,
            sum(below_by_more) as below_by_more,
            sum(above_on_oxygen_by_1) as above_on_oxygen_by_1,
            sum(above_on_oxygen_by_2) as above_on_oxygen_by_2,
            sum(above_on_oxygen_by_more) as above_on_oxygen_by_more
        from band_distance
        join stays_by_group as groups
            on groups.stay_id = band_distance.stay_id and groups.month = band_distance.month
        where band_distance.month = $month
        group by groups.retainer_group
        """,
        params={"month": month},
    ).pl()


def of_month(con: duckdb.DuckDBPyConnection, table: str, month: str) -> pl.DataFrame:
    """The rows of a table with the column `month` that stand under this month."""
    return con.sql(f"select * from {table} where month = $month", params={"month": month}).pl()


def episodes_by_estimate(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, int]:
    """How many episodes of high oxygen began in the month under the low, best and high estimate."""
    counted = con.execute(
        "select estimate, count(*) from episode_estimates where month = ? group by estimate", [month]
    ).fetchall()
    return dict(counted)


def notes(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str]]:
    """`load_notes` as it is: number of the load and sentence, the latest load first."""
    return con.execute("select load_no, sentence from load_notes order by load_no desc, sentence").fetchall()


def verdicts(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """`load_verdicts` of one load per contract: the latest that could judge it, else the latest.

    A load that only corrects a few stays can judge little; what the load before it was found to be is not forgotten.
    """
    return con.sql(
        """
        with loads as (
            select
                contract,
                coalesce(max(case when verdict <> 'not applicable' then load_no end), max(load_no)) as load_no
            from load_verdicts
            group by contract
        )
        select
            load_verdicts.load_no,
            load_verdicts.contract,
            load_verdicts.subject,
            load_verdicts.verdict,
            load_verdicts.observed,
            load_verdicts.sentence,
            load_verdicts.what_to_do
        from load_verdicts
        join loads
            on loads.contract = load_verdicts.contract
            and loads.load_no = load_verdicts.load_no
        order by
            load_verdicts.contract,
            load_verdicts.subject
        """
    ).pl()


def unknown(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, Any]:
    """What is not known of this month: seconds outside excluded time, and events that had not come.

    no_target_s, target_s, unobserved_s (a part of target_s): not known whether oxygen ran. retainer_s: time of stays
    with evidence of CO2 retention; retainer_fraction_unknown_s: of it, with the inspired fraction unknown.
    not_yet_come: by measure, events that had not come when the stay ended.
    """
    # The many spans are added up before the few conditions are looked at: several times faster.
    seconds = con.execute(
        """
        with of_month as (
            select
                condition_no,
                on_oxygen,
                fio2,
                retainer_ever
            from conditions
            where
                month = ?
                and (on_oxygen is null or retainer_ever is not null)
        ),
        by_condition as (
            select
                condition_no,
                band_state,
                sum(seconds) as seconds
            from spans
            where band_state <> 'excluded'
            group by
                condition_no,
                band_state
        )
        select
            sum(case when on_oxygen is null and band_state = 'no_target' then seconds else 0 end) as no_target_s,
            sum(case when on_oxygen is null and band_state <> 'no_target' then seconds else 0 end) as target_s,
            sum(case when on_oxygen is null and band_state = 'unobserved' then seconds else 0 end) as unobserved_s,
            sum(case when retainer_ever is not null then seconds else 0 end) as retainer_s,
            sum(case when retainer_ever is not null and fio2 is null then seconds else 0 end)
                as retainer_fraction_unknown_s
        from by_condition
        join of_month
            on of_month.condition_no = by_condition.condition_no
        """,
        [month],
    )
    names = [column[0] for column in seconds.description]
    found: dict[str, Any] = {name: int(value or 0) for name, value in zip(names, seconds.fetchall()[0], strict=True)}
    waiting = con.execute(
        "select measure_id, count(*) from measure_rows where month = ? and censored group by measure_id", [month]
    ).fetchall()
    return found | {"not_yet_come": dict(waiting)}


def _to_zone(times: pl.Expr, zone_name: str) -> pl.Expr:
    return times.dt.replace_time_zone("UTC").dt.convert_time_zone(zone_name).dt.replace_time_zone(None)
