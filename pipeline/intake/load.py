"""Loads one extract into the store in one transaction, and writes the ledger."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.errors import ExtractError, StoreError
from pipeline.intake.read import ExtractFile, find_files
from pipeline.intake.settle import as_stored, settle
from pipeline.intake.stage import StagedFile, create_incoming, stage_file
from pipeline.store import fact, set_fact, tool_version
from pipeline.vocabulary import TABLES, Kind, Table

DEFAULT_ZONE = "Europe/London"


@dataclass(frozen=True)
class LoadResult:
    """What a load did.

    files: one row per file with table_name, file_name and the counts of the ledger.
    kept_aside: one row per file, column and rule with `rows` and `examples` (row numbers).
    changed: whether the store differs from before. as_of: UTC, where stays still open end.
    """

    files: pl.DataFrame
    kept_aside: pl.DataFrame
    changed: bool
    known_before: bool
    as_of: datetime
    zone: str
    stays_replaced: int
    strangers: list[str]
    unused_columns: dict[str, tuple[str, ...]]


def load_extract(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    zone: str | None = None,
    as_of: str | None = None,
    replace: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> LoadResult:
    """Reads, checks and stores an extract: all of it, or nothing when an AuditError is raised.

    zone: time zone of times without offset (default: the store's, else Europe/London). as_of: ISO time at which
    stays still open end (default: the latest time accepted in this load). replace: stays of this extract replace
    stored ones whole.
    """
    zone = _settled_zone(connection, zone)
    stated_as_of = _parsed_as_of(as_of, zone)
    files, strangers = find_files(folder)
    create_incoming(connection)
    staged = []
    for number, file in enumerate(files):
        tell(f"reading {file.name}")
        staged.append(stage_file(connection, file, number, zone))
    tell("checking rows against each other and against the store")
    settle(connection, replace)
    horizon = stated_as_of or _latest_time(connection)
    known_before = _all_known(connection, staged)
    connection.begin()
    tell("storing")
    changed, stays_replaced = _store_rows(connection, horizon)
    counts = _counts(connection, staged)
    if changed or not known_before:
        _write_ledger(connection, staged, counts, zone, horizon, stays_replaced)
    if changed:
        set_fact(connection, "data_version", str(int(fact(connection, "data_version") or 0) + 1))
    set_fact(connection, "zone", zone)
    connection.commit()
    return LoadResult(
        files=counts,
        kept_aside=_kept_aside(connection, staged),
        changed=changed,
        known_before=known_before,
        as_of=horizon,
        zone=zone,
        stays_replaced=stays_replaced,
        strangers=strangers,
        unused_columns={file.file.name: file.unused_columns for file in staged if file.unused_columns},
    )


def _settled_zone(connection: duckdb.DuckDBPyConnection, zone: str | None) -> str:
    stored = fact(connection, "zone")
    if zone is not None:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError) as error:
            raise ExtractError(
                f"'{zone}' is not a known time zone. Give a name of the tz database, for example "
                f"--timezone {DEFAULT_ZONE}; nothing was stored."
            ) from error
    if stored and zone and stored != zone:
        raise StoreError(
            f"The store counts its months in {stored}, but --timezone {zone} was given. One store has one zone. "
            "Leave --timezone out, or load into another store; nothing was stored."
        )
    return zone or stored or DEFAULT_ZONE


def _parsed_as_of(text: str | None, zone: str) -> datetime | None:
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise ExtractError(
            "--as-of is not a time. Give date and time, for example --as-of 2026-06-30T23:59; nothing was stored."
        ) from error
    local = at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))
    return local.astimezone(UTC).replace(tzinfo=None, microsecond=0)


def _latest_time(connection: duckdb.DuckDBPyConnection) -> datetime:
    latest = " union all ".join(
        f"select max(greatest({', '.join(c.name for c in table.columns if c.kind is Kind.TIME)})) as latest_at "
        f"from incoming_{table.name} where rule is null"
        for table in TABLES.values()
    )
    [(at,)] = connection.execute(f"select max(latest_at) from ({latest})").fetchall()
    if at is None:
        raise ExtractError(
            "Not one row of the extract can be used: every row of every table was kept aside or the files hold no "
            "rows. Check that the files hold data, the date format (YYYY-MM-DD HH:MM) and the stay keys; nothing was "
            "stored."
        )
    return at


def _store_rows(connection: duckdb.DuckDBPyConnection, horizon: datetime) -> tuple[bool, int]:
    """Writes all new rows; returns whether anything changed, and how many stays were replaced."""
    connection.execute(
        "create or replace temp table replaced_stays as "
        "select stay_no from stays where stay_no in (select stay_no from known_stays where fresh)"
    )
    for table in TABLES.values():
        connection.execute(f"delete from {table.name} where stay_no in (select stay_no from replaced_stays)")
    [(replaced,)] = connection.execute("select count(*) from replaced_stays").fetchall()
    written = sum(_insert(connection, table, horizon) for table in TABLES.values())
    later = connection.execute(
        """
        update stays set as_of = $1
        where discharged_at is null and as_of < $1
            and stay_id in (select stay_id from incoming_stays where status = 'already_stored')
        returning stay_no
        """,
        [horizon],
    ).fetchall()
    return bool(written or replaced or later), replaced


def _insert(connection: duckdb.DuckDBPyConnection, table: Table, horizon: datetime) -> int:
    columns = [column for column in table.columns if table.name == "stays" or column.name != "stay_id"]
    names = ", ".join(column.name for column in columns)
    values = ", ".join(as_stored("incoming", column) for column in columns)
    extra_name, extra_value, bound = (", as_of", ", ?", [horizon]) if table.name == "stays" else ("", "", [])
    [(written,)] = connection.execute(
        f"""
        insert into {table.name} (stay_no, {names}{extra_name})
        select known_stays.stay_no, {values}{extra_value}
        from incoming_{table.name} as incoming
        join known_stays on known_stays.stay_id = incoming.stay_id
        where incoming.rule is null and incoming.status = 'new'
        order by known_stays.stay_no, incoming.{table.at}
        """,
        bound,
    ).fetchall()
    return written


def _all_known(connection: duckdb.DuckDBPyConnection, staged: list[StagedFile]) -> bool:
    known = set(connection.execute("select table_name, file_sha256 from load_ledger").fetchall())
    return all((file.file.table, file.sha256) in known for file in staged)


def _counts(connection: duckdb.DuckDBPyConnection, staged: list[StagedFile]) -> pl.DataFrame:
    """One row per file with the counts of the ledger, whose sum is checked here."""
    rows = []
    for file in staged:
        [(stored, already, repeated, aside, ambiguous)] = connection.execute(
            f"""
            select
                count(*) filter (where rule is null and status = 'new'),
                count(*) filter (where rule is null and status = 'already_stored'),
                count(*) filter (where rule is null and status = 'repeated'),
                count(*) filter (where rule is not null),
                coalesce(sum(ambiguous) filter (where rule is null), 0)
            from incoming_{file.file.table}
            where file_number = ?
            """,
            [file.number],
        ).fetchall()
        if stored + already + repeated + aside != file.rows_read:
            raise RuntimeError(f"rows of {file.file.name} do not add up: a fault of the tool; nothing was stored")
        rows.append((file.file.table, file.file.name, file.rows_read, stored, already, repeated, aside, int(ambiguous)))
    names = [
        "table_name",
        "file_name",
        "rows_read",
        "rows_stored",
        "rows_already_stored",
        "rows_repeated",
        "rows_kept_aside",
        "times_ambiguous",
    ]
    return pl.DataFrame(rows, schema=names, orient="row")


def _write_ledger(
    connection: duckdb.DuckDBPyConnection,
    staged: list[StagedFile],
    counts: pl.DataFrame,
    zone: str,
    horizon: datetime,
    stays_replaced: int,
) -> None:
    [(load_no,)] = connection.execute("select coalesce(max(load_no), 0) + 1 from load_ledger").fetchall()
    loaded_at = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    for file, count in zip(staged, counts.iter_rows(named=True), strict=True):
        entry = {
            "load_no": load_no,
            "loaded_at": loaded_at,
            **count,
            "file_sha256": file.sha256,
            "stays_replaced": stays_replaced,
            "zone": zone,
            "as_of": horizon,
            "tool_version": tool_version(),
        }
        connection.execute(
            f"insert into load_ledger ({', '.join(entry)}) values ({', '.join('?' * len(entry))})",
            list(entry.values()),
        )
        _write_rejected(connection, file, load_no)


def _write_rejected(connection: duckdb.DuckDBPyConnection, file: StagedFile, load_no: int) -> None:
    table = TABLES[file.file.table]
    # A file loaded again is judged anew; its rows do not stand twice.
    connection.execute("delete from rejected_rows where table_name = ? and file_sha256 = ?", [table.name, file.sha256])
    cells = ", ".join(f"{column.name} := {_as_text(column.name, column.kind)}" for column in table.columns)
    connection.execute(
        f"""
        insert into rejected_rows
        select ?, ?, ?, ?, row_number, fault_column, rule, reason, coalesce(cells, to_json(struct_pack({cells})))
        from incoming_{table.name}
        where file_number = ? and rule is not null
        order by row_number
        """,
        [load_no, table.name, file.file.name, file.sha256, file.number],
    )


def _as_text(name: str, kind: Kind) -> str:
    return f"strftime({name}, '%Y-%m-%dT%H:%M:%SZ')" if kind is Kind.TIME else f"{name}::varchar"


def _kept_aside(connection: duckdb.DuckDBPyConnection, staged: list[StagedFile]) -> pl.DataFrame:
    """One row per file, rule and column: how many rows were kept aside and the first row numbers."""
    parts = []
    for number, file in ((file.number, file.file) for file in staged):
        parts.append(_reasons_of(connection, number, file))
    return pl.concat(parts)


def _reasons_of(connection: duckdb.DuckDBPyConnection, number: int, file: ExtractFile) -> pl.DataFrame:
    rows = connection.execute(
        f"""
        select
            rule,
            fault_column,
            reason,
            count(*) as row_count,
            list(row_number order by row_number)[1:5] as examples
        from incoming_{file.table}
        where file_number = ? and rule is not null
        group by rule, fault_column, reason
        order by row_count desc, rule, fault_column
        """,
        [number],
    ).fetchall()
    return pl.DataFrame(
        [(file.name, *row) for row in rows],
        schema={
            "file_name": pl.String,
            "rule": pl.String,
            "column_name": pl.String,
            "reason": pl.String,
            "rows": pl.Int64,
            "examples": pl.List(pl.Int64),
        },
        orient="row",
    )
