"""Reads the tables of the extract straight from a PostgreSQL database, through the SELECTs of a mapping.

All of them see the same instant: they run in one transaction that can write nothing. The password never stands in the
URL, the store, a log or a message.
"""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any

import polars as pl
import pyarrow as pa

from pipeline.errors import ExtractError, listed
from pipeline.intake.mapping.declaration import ExtractMapping, TableMapping
from pipeline.intake.mapping.files import distinct, with_columns_found
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.mapping.query_rows import RowsFingerprint, is_readable, text_rows
from pipeline.intake.mapping.rows import mapped_rows
from pipeline.intake.privacy import refuse_identifying_columns
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.source import Source
from pipeline.vocabulary import TABLES

_FORM = "postgresql://USER@HOST:PORT/DATABASE"
# Nothing that could be a password has a place in it.
_URL = re.compile(
    r"postgres(?:ql)?://(?:[^\s:@/?#]+@)?(?:[\w.-]+|\[[0-9a-fA-F:.]+\])?(?::[0-9]{1,5})?(?:/[^\s:@/?#]*)?"
    r"(?:\?(?P<settings>[^\s@#]*))?"
)
_SETTINGS = (
    "application_name",
    "channel_binding",
    "connect_timeout",
    "gssencmode",
    "host",
    "keepalives",
    "krbsrvname",
    "port",
    "sslcert",
    "sslcrl",
    "sslkey",
    "sslmode",
    "sslrootcert",
    "target_session_attrs",
)
_READ_ONLY = "set transaction isolation level repeatable read read only"


@contextmanager
def database_sources(url: str, mapping: ExtractMapping, notes: MappingNotes) -> Iterator[list[Source]]:
    """The sources that the SELECTs of the mapping make, in table order; they can be read until the block ends.

    url: PostgreSQL, without a password. A piece holds the rows in the order in which the database gives them;
    `row_number` counts them from 1. A fingerprint is the same for the same rows in any order.
    Raises ExtractError, without the text of the driver, when the URL cannot be used, the database cannot be reached or
    a SELECT cannot be run.
    """
    if not mapping.select:
        raise ExtractError(
            "The mapping has no SELECT. Add a section [database.select] with one line a table, such as "
            'readings = "select ...", and load again; nothing was stored.'
        )
    driver = _driver()
    connection = _connect(driver, _with_password(_checked_url(url), mapping))
    try:
        cursor = connection.cursor()
        with _told(driver, "the transaction"):
            cursor.execute(_READ_ONLY)
        yield [
            _source(driver, connection, part, mapping.select[table], notes)
            for table in TABLES
            if table in mapping.select
            for part in mapping.of(table)
        ]
    finally:
        connection.close()


def _driver() -> ModuleType:
    try:
        import adbc_driver_postgresql.dbapi
    except ImportError as error:
        raise ExtractError(
            "Loading from a database needs a driver that is not installed. Install it with "
            "pip install 'bandaudit[database]' and load again; nothing was stored."
        ) from error
    return adbc_driver_postgresql.dbapi


def _checked_url(url: str) -> str:
    match = _URL.fullmatch(url)
    settings = [part.partition("=")[0] for part in ((match and match["settings"]) or "").split("&") if part]
    if match is None or not set(settings) <= set(_SETTINGS):
        raise ExtractError(
            f"The database URL cannot be used. Expected {_FORM}, without a password; behind a ? may stand "
            f"{', '.join(_SETTINGS)}. Give the password in the environment variable PGPASSWORD, or in one that "
            "password_env under [database] of the mapping names; nothing was stored."
        )
    return url


def _with_password(url: str, mapping: ExtractMapping) -> str:
    if mapping.password_env is None:
        return url
    password = os.environ.get(mapping.password_env)
    if password is None:
        # Its name is not repeated, in case the password itself was written there.
        raise ExtractError(
            "The environment variable that password_env under [database] of the mapping names is not set. Set it to "
            "the password and load again; nothing was stored."
        )
    encoded = "".join(f"%{byte:02X}" for byte in password.encode())
    return f"{url}{'&' if '?' in url else '?'}password={encoded}"


def _connect(driver: ModuleType, uri: str) -> Any:
    try:
        return driver.connect(uri)
    except driver.Error as error:
        text = str(error)
    what = "cannot be reached"
    if "authentication" in text or "password" in text:
        what = "does not accept the user or the password"
    elif "does not exist" in text:
        what = "has no user or database of the name in the URL"
    # Outside the handler: what the driver says holds the connection, so that not even a traceback shows it.
    raise ExtractError(
        f"The database {what}. Check host, port, user and database in the URL ({_FORM}), and the password in the "
        "environment (PGPASSWORD, or the variable that the mapping names), and load again; nothing was stored."
    )


@contextmanager
def _told(driver: ModuleType, what: str) -> Iterator[None]:
    """Turns errors of the driver into an ExtractError that holds no cell and nothing of the connection."""
    try:
        yield
    except (driver.Error, pa.ArrowException, OSError) as error:
        state, text = getattr(error, "sqlstate", None) or "", str(error)
    else:
        return
    reason = ""
    if state.startswith("42"):
        # Found when the statement is read, before any row: the sentence names only what the SELECT itself says.
        found = re.search(r"ERROR:\s+(.*)", text)
        reason = f": {found[1]}" if found else ""
    elif state == "25006" or "read-only transaction" in text:
        reason = ": it would write, and this tool reads only"
    elif state.startswith("22"):
        reason = ": a value of a row cannot be converted or computed as it asks"
    elif not state:
        # Rows were on their way already, and the driver passes on no code.
        reason = ": it stopped at a row that cannot be converted or computed as it asks, at a time limit of the server"
        reason += ", or because the connection was lost"
    raise ExtractError(
        f"The database could not run {what}{reason}{f' (SQLSTATE {state})' if state else ''}. Correct it in the "
        "mapping, try it in another tool, and load again; nothing was stored."
    ) from None


def _source(driver: ModuleType, connection: Any, part: TableMapping, query: str, notes: MappingNotes) -> Source:
    name = f"{part.table} (database)"
    select = f"{query}\n"
    with _told(driver, f"the SELECT of {part.table}"):
        schema = connection.cursor().adbc_execute_schema(select)
    _refuse_bad_columns(part, schema)
    refuse_identifying_columns(name, schema.names)
    columns = distinct(schema.names)
    part = with_columns_found(part, columns)
    _refuse_missing_columns(part, columns)
    used = {own for names in part.columns.values() for own in names}
    taken = TABLES[part.table].column_names
    extra = {n: f"{n} (not mapped)" if n in taken else n for n in columns if n not in used}
    fingerprint: list[RowsFingerprint] = []

    def pieces(_: list[RaggedRow]) -> Iterator[pl.DataFrame]:
        fingerprint[:] = [RowsFingerprint(columns)]
        for rows in _pieces(driver, connection, part.table, select, columns):
            fingerprint[0].add(rows)
            yield mapped_rows(rows, part, extra, False, name, notes)

    return Source(
        table=part.table,
        name=name,
        columns=[*part.columns, *part.fixed, *extra.values()],
        pieces=pieces,
        fingerprint=lambda: fingerprint[0].hexdigest(),
        units=dict(part.units),
    )


def _refuse_bad_columns(part: TableMapping, schema: pa.Schema) -> None:
    place = f"The SELECT of {part.table}"
    repeated = sorted({name for name in schema.names if schema.names.count(name) > 1})
    if repeated:
        raise ExtractError(
            f"{place} gives the same name to more than one column: {listed(repeated)}. Give each a name of its own "
            "with `as` and load again; nothing was stored."
        )
    unread = [field.name for field in schema if not is_readable(field.type)]
    if unread:
        raise ExtractError(
            f"{place} gives columns that are neither text, number nor time: {listed(unread)}. Write them as text, "
            f"for example {unread[0]}::text as {unread[0]}, and load again; nothing was stored."
        )


def _refuse_missing_columns(part: TableMapping, names: list[str]) -> None:
    wanted = {own for columns in part.columns.values() for own in columns} | set(part.only)
    missing = sorted(wanted - set(names))
    required = [c.name for c in TABLES[part.table].columns if c.required]
    missing += [name for name in required if name not in part.columns and name not in part.fixed]
    if missing:
        raise ExtractError(
            f"The SELECT of {part.table} lacks {', '.join(missing)}. Its columns must be named, with `as`, like those "
            f"of {part.table}: {', '.join(TABLES[part.table].column_names)}; nothing was stored."
        )


def _pieces(driver: ModuleType, connection: Any, table: str, select: str, columns: list[str]) -> Iterator[pl.DataFrame]:
    """The rows as text, with `row_number`."""
    row_number = 1
    with connection.cursor() as cursor:
        with _told(driver, f"the SELECT of {table}"):
            cursor.execute(select)
            reader = cursor.fetch_record_batch()
        while True:
            with _told(driver, f"the SELECT of {table}"):
                batch = next(iter(reader), None)
            if batch is None:
                return
            rows = text_rows(batch)
            rows.columns = columns
            numbers = pl.int_range(row_number, row_number + rows.height, eager=True).alias("row_number")
            yield rows.insert_column(0, numbers)
            row_number += rows.height
