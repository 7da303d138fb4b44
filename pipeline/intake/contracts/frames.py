"""The small frames on which the contracts of a load are judged: counts and shares, made by SQL.

What several of them need is counted first, into temporary tables; then each file of `sql/contracts/` makes one frame.
"""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.intake.check import RULES
from pipeline.store import sql_text
from pipeline.vocabulary import TABLES, Table

_EARLIER_LOADS = 12
_ACCEPTED = "rule is null and status <> 'repeated'"


def contract_frames(
    connection: duckdb.DuckDBPyConnection,
    zone: str,
    as_of: datetime,
    fewest: Mapping[str, float],
    stems: Iterable[str],
) -> dict[str, pl.DataFrame | Exception]:
    """One frame per file of `sql/contracts/` named in `stems`, or what went wrong with it.

    fewest: below which numbers nothing is judged, by name. A frame has one row per subject: `subject`, the columns that
    contracts judge (null: nothing to judge), and, where it has them, `in_words` (the subject in a sentence) and
    `usual` (the median of earlier loads).
    """
    counted = attempt(lambda: _count_incoming(connection, zone, as_of, fewest))
    if isinstance(counted, Exception):
        return dict.fromkeys(stems, counted)
    return {stem: attempt(_frame, connection, stem) for stem in dict.fromkeys(stems)}


def attempt(work: Callable[..., Any], *given: Any) -> Any:
    """What the work gives, or the exception it ends in; an interrupt by the user is passed on."""
    try:
        return work(*given)
    except Exception as error:
        if isinstance(error, duckdb.InterruptException) or str(error) == "Query interrupted":
            raise
        return error


def _frame(connection: duckdb.DuckDBPyConnection, stem: str) -> pl.DataFrame:
    return connection.sql(sql_text("contracts", stem)).pl()


def _count_incoming(
    connection: duckdb.DuckDBPyConnection, zone: str, as_of: datetime, fewest: Mapping[str, float]
) -> None:
    """Makes the temporary tables that the files of `sql/contracts/` read beside `incoming_<table>`."""
    _make_judged_load(connection, zone, as_of, fewest)
    _make_counts(connection)
    _make_stay_time(connection)
    _make_days(connection)
    _make_earlier_loads(connection)
    # One row per rule: what it means, for people.
    connection.execute(
        "create or replace temp table meanings as select unnest($1) as rule, unnest($2) as meaning",
        [list(RULES), list(RULES.values())],
    )


def _make_judged_load(
    connection: duckdb.DuckDBPyConnection, zone: str, as_of: datetime, fewest: Mapping[str, float]
) -> None:
    """`judged_load`: one row: zone, the time covered [covered_from, as_of), and what is too little to judge."""
    floors = ", ".join(f"{float(value)} as fewest_{name}" for name, value in fewest.items())
    connection.execute(
        f"""
        create or replace temp table judged_load as
        select
            $1 as zone,
            $2::timestamp as as_of,
            min(taken_at) as covered_from,
            max(taken_at) as latest_reading_at,
            {floors}
        from incoming_readings
        where {_ACCEPTED}
        """,
        [zone, as_of],
    )


def _make_counts(connection: duckdb.DuckDBPyConnection) -> None:
    """`counted_rows`: one row per table, rule and status; `counted_tables`: one per table; `counted_columns`: one per
    optional column."""
    by_rule = " union all ".join(
        f"select '{name}' as table_name, rule, status, count(*) as row_count from incoming_{name} group by rule, status"
        for name in TABLES
    )
    by_column = " union all ".join(map(_columns_counted, TABLES.values()))
    connection.execute(f"create or replace temp table counted_rows as {by_rule}")
    connection.execute(f"create or replace temp table counted_columns as {by_column}")
    connection.execute(
        f"""
        create or replace temp table counted_tables as
        select
            vocabulary.table_name,
            vocabulary.is_required,
            coalesce(sum(row_count), 0) as rows_read,
            coalesce(sum(row_count) filter (where rule is not null), 0) as rows_kept_aside,
            coalesce(sum(row_count) filter (where {_ACCEPTED}), 0) as rows_accepted
        from (select unnest($1) as table_name, unnest($2) as is_required) as vocabulary
        left join counted_rows using (table_name)
        group by vocabulary.table_name, vocabulary.is_required
        """,
        [list(TABLES), [table.required for table in TABLES.values()]],
    )


def _columns_counted(table: Table) -> str:
    optional = [column.name for column in table.columns if not column.required]
    missing = ", ".join(f"count(*) - count({name})" for name in optional)
    return f"""
        select
            '{table.name}' as table_name,
            unnest({optional}::varchar[]) as column_name,
            row_count,
            unnest(missing) as rows_missing
        from (
            select count(*) as row_count, [{missing}] as missing
            from incoming_{table.name}
            where {_ACCEPTED}
        )
    """


def _make_stay_time(connection: duckdb.DuckDBPyConnection) -> None:
    """`stay_time`: one row per stay of this load with any time inside the time covered: [started_at, ended_at)."""
    connection.execute(
        f"""
        create or replace temp table stay_time as
        with clipped as (
            select
                stay_id,
                greatest(admitted_at, covered_from) as started_at,
                least(coalesce(discharged_at, as_of), as_of) as ended_at
            from incoming_stays
            cross join judged_load
            where {_ACCEPTED} and covered_from is not null
        )
        select
            stay_id,
            started_at,
            ended_at,
            date_diff('second', started_at, ended_at) as seconds
        from clipped
        where started_at < ended_at
        """
    )


def _make_days(connection: duckdb.DuckDBPyConnection) -> None:
    """`judged_days`: one row per whole local day inside the time covered; `readings_by_quarter`: one row per quarter of
    an hour with readings: `local_at` and how many."""
    connection.execute(
        """
        create or replace temp table judged_days as
        select
            unnest(
                generate_series(
                    ((covered_from at time zone 'UTC') at time zone zone)::date + 1,
                    ((as_of at time zone 'UTC') at time zone zone)::date - 1,
                    interval 1 day
                )
            )::date as local_date
        from judged_load
        """
    )
    # Every offset from UTC is a whole number of quarters of an hour: few instants to place instead of many.
    connection.execute(
        f"""
        create or replace temp table readings_by_quarter as
        with quarters as (
            select
                epoch_us(taken_at) // 900000000 as quarter,
                count(*) as readings
            from incoming_readings
            where {_ACCEPTED}
            group by quarter
        )
        select
            (make_timestamp(quarters.quarter * 900000000) at time zone 'UTC') at time zone judged_load.zone as local_at,
            quarters.readings
        from quarters
        cross join judged_load
        """
    )


def _make_earlier_loads(connection: duckdb.DuckDBPyConnection) -> None:
    """`earlier_loads`: one row per contract and subject: `usual`, the median of what was observed."""
    connection.execute(
        f"""
        create or replace temp table earlier_loads as
        with observed as (
            select
                contract,
                subject,
                observed,
                row_number() over (partition by contract, subject order by load_no desc) as loads_ago
            from load_verdicts
            where observed is not null
        )
        select
            contract,
            subject,
            median(observed) as usual
        from observed
        where loads_ago <= {_EARLIER_LOADS}
        group by contract, subject
        """
    )
