"""Times of OMOP rows: the date and the time of day may stand in three columns, and midnight may mean "not known"."""

from collections.abc import Callable

import duckdb

# Where a source knows no time of day, the common data model has midnight (its notes on the `_datetime` columns). Fewer
# times than this say nothing; of real ones, hardly one in a hundred is midnight to the second.
_FEWEST_TIMES = 20
_SHARE_OF_MIDNIGHTS = 0.5
# Table of the common data model, table here, column.
_COLUMNS = (
    ("visit_occurrence", "visits", "admitted_at"),
    ("visit_occurrence", "visits", "discharged_at"),
    ("visit_detail", "details", "entered_at"),
    ("measurement", "measured", "taken_at"),
    ("device_exposure", "exposures", "started_at"),
    ("device_exposure", "exposures", "ended_at"),
    ("observation", "observed", "flagged_at"),
)
# SQL: instant(datetime, date, time of day) as text; a mere date where no time of day is known, and then it is no time.
INSTANT = r"""
    -- The same instant written in two ways is one text: a blank before the time of day, seconds, no fraction of them.
    create macro tidy(written) as case
        when length(written) = 19 then replace(written, 'T', ' ')
        else regexp_replace(
            regexp_replace(written, '^(.{10})[T ](\d\d:\d\d)([^:\d]|$)', '\1 \2:00\3'),
            '^(.{10})[T ](\d\d:\d\d:\d\d)(?:[.,]\d+)?',
            '\1 \2'
        )
    end;
    create macro instant(written, day, clock) as tidy(case
        when length(written) > 10 then written
        when regexp_matches(clock, '^\d\d:\d\d') then coalesce(written, day) || ' ' || clock
        else coalesce(written, day)
    end);
"""


def clear_false_midnights(connection: duckdb.DuckDBPyConnection, tell: Callable[[str], None]) -> None:
    """Cuts times to dates, which are no times, where so many are midnight that it must mean an unknown time of day.

    tell: gets a sentence on each column of which that is so.
    """
    for table, staged_table, column in _COLUMNS:
        is_midnight = f"{column}[11:19] = ' 00:00:00'"
        [(times, midnights)] = connection.execute(
            f"""
            select count(*), count(*) filter (where {is_midnight})
            from {staged_table}
            where length({column}) >= 19
            """
        ).fetchall()
        if times >= _FEWEST_TIMES and midnights > _SHARE_OF_MIDNIGHTS * times:
            connection.execute(f"update {staged_table} set {column} = {column}[:10] where {is_midnight}")
            tell(
                f"{table}: {midnights:,} of {times:,} times that became {column} are midnight to the second, which is "
                "how a date without a time of day is written. They are not taken as times."
            )
