"""Stores the settled rows of a load, so that all rows of a patient stand together in every table.

Numbers of stays follow patients, and within a patient the order of admission. A stay of which anything changes, and
with it every other stay of its patient, is taken out and stored whole behind all others, under a new number. So

- the rows of one stay, and the stays of one patient, are read by a range of numbers, in order, without sorting;
- a number never comes to mean anything else: what was measured for it stands for as long as the number is there.
"""

from datetime import datetime

import duckdb

from pipeline.intake.settle import as_stored
from pipeline.vocabulary import TABLES, Table

_NEW = "rule is null and status = 'new'"
_STILL_OPEN = """
    discharged_at is null
    and as_of < $1
    and stay_id in (select stay_id from incoming_stays where rule is null and status = 'already_stored')
"""


def changes_anything(connection: duckdb.DuckDBPyConnection, horizon: datetime) -> bool:
    """Whether a row is to be stored or replaced, or a stay still open is now known for longer (until `horizon`)."""
    new_rows = sum(number_of(connection, f"incoming_{name} where {_NEW}") for name in TABLES)
    replaced = number_of(connection, "replaced_stays")
    return bool(new_rows or replaced or number_of(connection, f"stays where {_STILL_OPEN}", horizon))


def number_of(connection: duckdb.DuckDBPyConnection, rows: str, *values: object) -> int:
    """How many rows there are `from` this."""
    [(number,)] = connection.execute(f"select count(*) from {rows}", list(values)).fetchall()
    return number


def store_rows(connection: duckdb.DuckDBPyConnection, horizon: datetime) -> None:
    """Stores every new row. horizon: UTC, where stays still open end; to be called inside a transaction."""
    _make_numbered_stays(connection, horizon)
    for table in TABLES.values():
        connection.execute(f"delete from {table.name} where stay_no in (select stay_no from replaced_stays)")
        written = _insert(connection, table, horizon)
        moved = _delete_moved(connection, table)
        if written != moved + number_of(connection, f"incoming_{table.name} where {_NEW}"):
            raise RuntimeError(f"rows of {table.name} do not add up: a fault of the tool; nothing was stored")


def put_patients_together(connection: duckdb.DuckDBPyConnection) -> None:
    """Moves the stays of patients whose stays do not stand together, as may be in a store not made by loads alone.

    To be called inside a transaction.
    """
    connection.execute("""
        create or replace temp table numbered_stays as
        with compared as (
            select
                patient_key,
                patient_key is distinct from lag(patient_key) over (order by stay_no) as begins
            from stays
        ),
        apart as (
            select patient_key
            from compared
            where begins
            group by patient_key
            having count(*) > 1
        )
        select
            stay_id,
            stay_no as old_no,
            (
                (select max(stay_no) from stays)
                + row_number() over (order by patient_key, admitted_at, stay_id)
            )::integer as stay_no
        from stays
        where patient_key in (select patient_key from apart)
    """)
    if not number_of(connection, "numbered_stays"):
        return
    for table in TABLES.values():
        names = ["as_of", *table.column_names] if table.name == "stays" else _columns_beside_stay(table)
        connection.execute(f"""
            insert into {table.name} (stay_no, {", ".join(names)})
            select numbered_stays.stay_no, {", ".join(f"stored.{name}" for name in names)}
            from {table.name} as stored
            join numbered_stays on numbered_stays.old_no = stored.stay_no
            order by numbered_stays.stay_no, stored.{table.at}
        """)
        _delete_moved(connection, table)


def _columns_beside_stay(table: Table) -> list[str]:
    return [name for name in table.column_names if name != "stay_id"]


def _delete_moved(connection: duckdb.DuckDBPyConnection, table: Table) -> int:
    """Deletes what stands under the old number of a stay that has a new one; returns how many rows."""
    [(deleted,)] = connection.execute(
        f"delete from {table.name} where stay_no in (select old_no from numbered_stays)"
    ).fetchall()
    return int(deleted)


def _make_numbered_stays(connection: duckdb.DuckDBPyConnection, horizon: datetime) -> None:
    """`numbered_stays`: one row per stay to be stored, with its number and, if it is in the store, the old one."""
    with_new_rows = " union ".join(f"select stay_id from incoming_{name} where {_NEW}" for name in TABLES)
    connection.execute(
        f"""
        create or replace temp table numbered_stays as
        with touched as (
            {with_new_rows}
            union
            select stay_id from replaced_stays
            union
            select stay_id from stays where {_STILL_OPEN}
        ),
        patients as (
            select patient_key from stays where stay_id in (select stay_id from touched)
            union
            select patient_key from incoming_stays where {_NEW}
        ),
        stored_whole as (
            select stay_no as old_no, stay_id, patient_key, admitted_at
            from stays
            where
                patient_key in (select patient_key from patients)
                and stay_no not in (select stay_no from replaced_stays)
            union all
            select null as old_no, stay_id, patient_key, admitted_at
            from incoming_stays
            where {_NEW}
        )
        select
            stay_id,
            old_no,
            (
                (select coalesce(max(stay_no), 0) from stays)
                + row_number() over (order by patient_key, admitted_at, stay_id)
            )::integer as stay_no
        from stored_whole
        """,
        [horizon],
    )


def _insert(connection: duckdb.DuckDBPyConnection, table: Table, horizon: datetime) -> int:
    """Inserts the new rows and, under their new numbers, those of the stays that move; returns how many."""
    columns = [column for column in table.columns if table.name == "stays" or column.name != "stay_id"]
    names = ", ".join(column.name for column in columns)
    arriving = ", ".join(as_stored("incoming", column) for column in columns)
    moving = ", ".join(f"stored.{column.name}" for column in columns)
    order = ", ".join(name for name in table.identity if name != "stay_id")
    bound: list[object] = []
    if table.name == "stays":
        names += ", as_of"
        arriving += ", $1"
        moving += f", case when {_STILL_OPEN.replace('stay_id in', 'stored.stay_id in')} then $1 else as_of end"
        order = "admitted_at"
        bound = [horizon]
    [(written,)] = connection.execute(
        f"""
        insert into {table.name} (stay_no, {names})
        select numbered_stays.stay_no, {arriving}
        from incoming_{table.name} as incoming
        join numbered_stays on numbered_stays.stay_id = incoming.stay_id
        where {_NEW}
        union all
        select numbered_stays.stay_no, {moving}
        from {table.name} as stored
        join numbered_stays on numbered_stays.old_no = stored.stay_no
        order by stay_no, {order}
        """,
        bound,
    ).fetchall()
    return written
