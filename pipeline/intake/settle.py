"""Settles what becomes of every staged row: new, already stored, an exact repeat, or kept aside with a reason.

These are the rules that need other rows: is the stay known, does the instant lie in it, is the row a repeat.
All work is SQL over the `incoming_<table>` tables; column and table names come from the vocabulary.
"""

import duckdb
import numpy as np

from pipeline.intake.check import RULES
from pipeline.intake.look_through import SECONDS_OF_ALL_YEARS, look_through
from pipeline.vocabulary import STAYS, TABLES, Column, Kind, Table

_DIFFERS_FROM_STORE = "the store already holds this row with other content; "
_ASK_FOR_REPLACE = "load the extract again with --replace to correct the stay"
_STAY_NOT_GIVEN = "--replace needs the stay's own row of stays in the extract, accepted"


def settle(connection: duckdb.DuckDBPyConnection, replace: bool) -> None:
    """Marks every incoming row: `status` new / already_stored / repeated, or a `rule` that keeps it aside.

    replace: a stay of this extract that differs from the stored one in any row of any table is taken anew, whole.
    Makes two temporary tables. `known_stays`: one row per stay of this extract that rows may belong to, with its number
    (in the store, or for now), its times and whether it is `arriving` (its own row is in this extract, accepted).
    `replaced_stays`: one row per stay to be taken out of the store before the new rows are stored.
    """
    _mark_repeats(connection, STAYS)
    _mark_against_store(connection, STAYS, replace)
    _make_known_stays(connection)
    arrived = [t for t in TABLES.values() if connection.execute(f"from incoming_{t.name} limit 1").fetchall()]
    for table in arrived:
        if table is not STAYS:
            _mark_strangers_and_repeats(connection, table)
            _mark_against_store(connection, table, replace)
    _make_replaced_stays(connection, replace)
    for table in arrived:
        _give_reasons(connection, table)


def _make_known_stays(connection: duckdb.DuckDBPyConnection) -> None:
    named = " union ".join(f"select stay_id from incoming_{name} where rule is null" for name in TABLES)
    connection.execute(f"""
        create or replace temp table known_stays as
        with arriving as (
            select stay_id, patient_key, admitted_at, discharged_at
            from incoming_stays
            where rule is null and status in ('new', 'already_stored')
        ),
        highest as (
            select coalesce(max(stay_no), 0) as stay_no from stays
        ),
        numbered as (
            select
                arriving.*,
                coalesce(
                    stays.stay_no,
                    highest.stay_no + row_number() over (
                        partition by stays.stay_no is null
                        order by arriving.patient_key, arriving.admitted_at, arriving.stay_id
                    )
                ) as stay_no
            from arriving
            cross join highest
            left join stays using (stay_id)
        )
        select stay_no::integer as stay_no, stay_id, admitted_at, discharged_at, true as arriving
        from numbered
        union all
        select stay_no, stay_id, admitted_at, discharged_at, false as arriving
        from stays
        where stay_id in ({named}) and stay_id not in (select stay_id from arriving)
    """)


def _mark_strangers_and_repeats(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Looks at every row once, and then only for what is wrong somewhere: in most extracts that is nothing."""
    # A flag set before admission counts from admission.
    too_early = "false" if table.name == "flags" else f"incoming.{table.at} < known_stays.admitted_at"
    outside = f"({too_early} or incoming.{table.at} >= known_stays.discharged_at)"
    seen = look_through(
        connection,
        f"""
        select
            known_stays.stay_no::bigint * {SECONDS_OF_ALL_YEARS} + epoch_us({table.at}) // 1000000 as stay_and_instant,
            coalesce({outside}, false) as is_outside
        from incoming_{table.name} as incoming
        left join known_stays on known_stays.stay_id = incoming.stay_id
        where incoming.rule is null
        """,
    )
    if seen.any_stranger:
        connection.execute(f"""
            update incoming_{table.name} as incoming
            set rule = 'unknown_stay', fault_column = 'stay_id'
            where rule is null and not exists (from known_stays where known_stays.stay_id = incoming.stay_id)
        """)
    if seen.any_outside:
        connection.execute(f"""
            update incoming_{table.name} as incoming
            set rule = 'outside_the_stay', fault_column = '{table.at}'
            from known_stays
            where incoming.rule is null and known_stays.stay_id = incoming.stay_id and {outside}
        """)
    if seen.shared.size:
        _make_shared_instants(connection, table, seen.shared)
        _mark_repeats(connection, table, f"semi join shared_instants using (stay_id, {table.at})")


def _make_shared_instants(connection: duckdb.DuckDBPyConnection, table: Table, shared: np.ndarray) -> None:
    """`shared_instants`: one row per stay and instant that more than one row has."""
    connection.execute(
        f"""
        create or replace temp table shared_instants as
        select
            known_stays.stay_id,
            make_timestamp(shared.stay_and_instant % {SECONDS_OF_ALL_YEARS} * 1000000) as {table.at}
        from (select unnest($1::bigint[]) as stay_and_instant) as shared
        join known_stays on known_stays.stay_no = shared.stay_and_instant // {SECONDS_OF_ALL_YEARS}
        """,
        [shared],
    )


def _mark_repeats(connection: duckdb.DuckDBPyConnection, table: Table, among: str = "") -> None:
    """Marks rows with the identity of another; `among`: a join to the rows that can have one."""
    identity = ", ".join(table.identity)
    content = ", ".join(table.column_names)
    connection.execute(f"""
        create or replace temp table repeats as
        with several as (
            select {identity}
            from incoming_{table.name}
            {among}
            where rule is null
            group by {identity}
            having count(*) > 1
        ),
        compared as (
            select
                file_number,
                row_number,
                dense_rank() over (partition by {identity} order by {content}) as version,
                row_number() over (partition by {content} order by file_number, row_number) as copy,
                {identity}
            from incoming_{table.name}
            semi join several using ({identity})
            where rule is null
        )
        select
            file_number,
            row_number,
            copy,
            max(version) over (partition by {identity}) as versions
        from compared
    """)
    _update_from_repeats(connection, table, "rule = 'conflicting_repeat', fault_column = ?", "versions > 1", [table.at])
    _update_from_repeats(connection, table, "status = 'repeated'", "versions = 1 and copy > 1", [])


def _update_from_repeats(
    connection: duckdb.DuckDBPyConnection, table: Table, change: str, condition: str, values: list[str]
) -> None:
    connection.execute(
        f"""
        update incoming_{table.name} as incoming
        set {change}
        from repeats
        where repeats.file_number = incoming.file_number
            and repeats.row_number = incoming.row_number
            and {condition}
        """,
        values,
    )


def _mark_against_store(connection: duckdb.DuckDBPyConnection, table: Table, replace: bool) -> None:
    if not connection.execute(f"select 1 from {table.name} limit 1").fetchall():
        return
    contents = [column for column in table.columns if column.name not in table.identity]
    same = " and ".join(f"stored.{c.name} is not distinct from {as_stored('incoming', c)}" for c in contents) or "true"
    identity = [f"stored.{name} = incoming.{name}" for name in table.identity if name != "stay_id"]
    if table is STAYS:
        known, met, arriving = "", "stored.stay_id = incoming.stay_id", "true"
    else:
        known = "join known_stays on known_stays.stay_id = incoming.stay_id"
        met = " and ".join(["stored.stay_no = known_stays.stay_no", *identity])
        arriving = "known_stays.arriving"
    connection.execute(
        f"""
        create or replace temp table met_in_store as
        select
            incoming.file_number,
            incoming.row_number,
            {same} as same,
            not same and not ($1 and {arriving}) as kept_aside
        from incoming_{table.name} as incoming
        {known}
        join {table.name} as stored on {met}
        where incoming.rule is null and incoming.status = 'new'
        """,
        [replace],
    )
    connection.execute(
        f"""
        update incoming_{table.name} as incoming
        set
            status = case when met_in_store.same then 'already_stored' else status end,
            rule = case when met_in_store.kept_aside then 'conflicting_repeat' end,
            fault_column = case when met_in_store.kept_aside then ? end,
            reason = case when met_in_store.kept_aside then ? end
        from met_in_store
        where met_in_store.file_number = incoming.file_number and met_in_store.row_number = incoming.row_number
        """,
        [table.at, _DIFFERS_FROM_STORE + (_STAY_NOT_GIVEN if replace else _ASK_FOR_REPLACE)],
    )


def _make_replaced_stays(connection: duckdb.DuckDBPyConnection, replace: bool) -> None:
    """A stored stay is replaced when a row of it is new or differs, or a stored row did not come again."""
    if not replace:
        connection.execute("create or replace temp table replaced_stays (stay_no integer, stay_id varchar)")
        return
    differing = " union ".join(
        f"""
        select known_stays.stay_no, known_stays.stay_id
        from known_stays
        left join (
            select
                stay_id,
                count(*) filter (where status = 'new') as new_rows,
                count(*) filter (where status = 'already_stored') as same_rows
            from incoming_{table.name}
            where rule is null
            group by stay_id
        ) as came using (stay_id)
        left join (
            select stay_no, count(*) as stored_rows
            from {table.name}
            where stay_no in (select stay_no from known_stays where arriving)
            group by stay_no
        ) as held using (stay_no)
        where known_stays.arriving
            and known_stays.stay_no in (select stay_no from stays)
            and (coalesce(new_rows, 0) > 0 or coalesce(same_rows, 0) <> coalesce(stored_rows, 0))
        """
        for table in TABLES.values()
    )
    connection.execute(f"create or replace temp table replaced_stays as {differing}")
    for table in TABLES.values():
        connection.execute(f"""
            update incoming_{table.name}
            set status = 'new'
            where status = 'already_stored' and stay_id in (select stay_id from replaced_stays)
        """)


def as_stored(source: str, column: Column) -> str:
    """The SQL that turns a staged column into the type of the store: numeric codes are numbers there."""
    numeric = column.kind is Kind.CODE and all(code.isdigit() for code in column.codes)
    return f"{source}.{column.name}::tinyint" if numeric else f"{source}.{column.name}"


def _give_reasons(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    ranges = {c.name: f"{c.lowest:g} to {c.highest:g}" for c in table.columns if c.lowest is not None} | {
        c.name: "the years 1970 to 2499" for c in table.columns if c.kind is Kind.TIME
    }
    if "upper_percent" in ranges:
        ranges["upper_percent"] += ", above lower_percent"
    codes = {c.name: ", ".join(c.codes) for c in table.columns if c.codes}
    rows = connection.execute(
        f"select distinct rule, fault_column from incoming_{table.name} where rule is not null and reason is null"
    ).fetchall()
    for rule, column in rows:
        detail = {"out_of_range": ranges.get(column), "unknown_code": codes.get(column)}.get(rule)
        reason = RULES[rule] + (f": {detail}" if detail else "")
        connection.execute(
            f"update incoming_{table.name} set reason = ? "
            "where rule = ? and fault_column is not distinct from ? and reason is null",
            [reason, rule, column],
        )
