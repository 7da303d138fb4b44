"""The store: one DuckDB file. The only place that opens a connection.

Nothing is fetched while it runs: DuckDB's extensions are neither installed nor loaded from a network.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path

import duckdb

from pipeline.errors import StoreError
from pipeline.vocabulary import BAND_STATES

SCHEMA_VERSION = "1"
_OWNER_ONLY = 0o077
_SETTINGS = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}


def tool_version() -> str:
    """The version of the installed tool."""
    try:
        return version("bandaudit")
    except PackageNotFoundError:
        return "not installed"


def sql_text(folder: str, stem: str) -> str:
    """The text of `sql/<folder>/<stem>.sql`."""
    return files("sql").joinpath(folder, f"{stem}.sql").read_text(encoding="utf-8")


def sql_stems(folder: str) -> list[str]:
    """The names of the SQL files in `sql/<folder>/`, sorted."""
    names = (entry.name for entry in files("sql").joinpath(folder).iterdir())
    return sorted(name.removesuffix(".sql") for name in names if name.endswith(".sql"))


@contextmanager
def open_store(path: Path, *, create: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
    """Opens the store for reading and writing; makes it, readable by its owner only, when `create` is true.

    A store that was made here is taken away again when what is done with it fails.

    Raises StoreError when the file is missing, is not a store, was made by another version, or is in use.
    """
    if not create and not path.exists():
        raise StoreError(f"There is no store at {path}. Make one first: bandaudit load EXTRACT --store {path}")
    is_new = not path.exists()
    if is_new and not path.parent.is_dir():
        raise StoreError(f"The folder {path.parent} for the store does not exist. Make it, or give another --store.")
    if is_new:
        _create(path)
    connection = _connect(path)
    try:
        _check_version(connection, path)
        yield connection
    except BaseException:
        connection.close()
        if is_new:
            path.unlink(missing_ok=True)
        raise
    connection.close()


def _connect(path: Path) -> duckdb.DuckDBPyConnection:
    mask = os.umask(_OWNER_ONLY)
    try:
        return duckdb.connect(str(path), config=dict(_SETTINGS))
    except duckdb.IOException as error:
        if "lock" in str(error).lower():
            raise StoreError(
                f"The store {path} is in use by another program (perhaps a load that is still running). "
                "Nothing was changed. Wait until it has finished, then run the command again."
            ) from error
        raise StoreError(
            f"The file {path} cannot be opened as a store: it is not a store of this tool, or it may not be read. "
            "Nothing was changed. Check the path given with --store."
        ) from error
    finally:
        os.umask(mask)


def _create(path: Path) -> None:
    # Made beside and renamed, so that a store half made by a killed program is never found.
    unfinished = path.with_name(f"{path.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    connection = _connect(unfinished)
    try:
        create_tables(connection)
        set_fact(connection, "schema_version", SCHEMA_VERSION)
        set_fact(connection, "data_version", "0")
    finally:
        connection.close()
    unfinished.rename(path)


def create_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """Creates every table and view of sql/tables/, empty."""
    states = ", ".join(f"'{state}'" for state in BAND_STATES)
    connection.execute(f"create type band_state as enum ({states})")
    stems = sql_stems("tables")
    for stem in sorted(stems, key=lambda stem: stem == "timeline"):
        connection.execute(sql_text("tables", stem))


def _check_version(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    try:
        found = fact(connection, "schema_version")
    except duckdb.CatalogException:
        found = None
    if found != SCHEMA_VERSION:
        what = "is not a store of this tool" if found is None else f"has store version {found}"
        raise StoreError(
            f"The file {path} {what}; this version of the tool reads store version {SCHEMA_VERSION}. Nothing was "
            "changed. Load the extracts into a new store: bandaudit load EXTRACT --store NEW_FILE"
        )


def fact(connection: duckdb.DuckDBPyConnection, name: str) -> str | None:
    """One fact about the store (`zone`, `data_version`, ...), or None."""
    rows = connection.execute("select value from store_facts where name = ?", [name]).fetchall()
    return rows[0][0] if rows else None


def set_fact(connection: duckdb.DuckDBPyConnection, name: str, value: str) -> None:
    """Writes one fact about the store over the one of that name."""
    connection.execute("delete from store_facts where name = ?", [name])
    connection.execute("insert into store_facts values (?, ?)", [name, value])
