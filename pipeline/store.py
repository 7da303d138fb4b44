"""The store: one DuckDB file. The only place that opens a connection.

Nothing is fetched while it runs: DuckDB's extensions are neither installed nor loaded from a network.
"""

import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from types import FrameType

import duckdb

from pipeline.errors import StoreError
from pipeline.memory import shares
from pipeline.spill import make_spill_folder, remove_spill_folder
from pipeline.vocabulary import BAND_STATES

SCHEMA_VERSION = "3"
_NOT_FOR_OTHERS = 0o077
# What DuckDB says on Linux and macOS, on Windows, and within one program.
_SIGNS_OF_USE = ("Could not set lock", "being used by another process", "different configuration than existing")
_SETTINGS = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
# So that a query finds what the store holds, and no file or variable that has the name of a table.
_READING_SETTINGS = (
    "set python_enable_replacements = false",
    "set enable_external_access = false",
    "set lock_configuration = true",
)


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

    Raises StoreError when the file is missing, is not a store, was made by another version, is in use, is damaged, or
    the disk is full.
    """
    with deaf_to_interrupts():
        is_new = create and not os.path.exists(path) and _create(path)
        connection = _connect_to_store(path)
        spilled = make_spill_folder(connection, path, is_reader=False)
    with _in_use(connection, path, spilled, is_new):
        yield connection


def share_memory(connections: Sequence[duckdb.DuckDBPyConnection]) -> None:
    """Divides what one store may take among several that are open at once; without a limit there is nothing to divide.

    A connection that `read_store` gave takes no settings.
    """
    limit = shares().database_bytes
    if limit is not None:
        for connection in connections:
            connection.execute(f"set memory_limit = '{limit // len(connections)}B'")


@contextmanager
def read_store(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Opens the store for reading only: nothing can be written into it, and several programs may read it at once.

    Tables of the connection's own (`create temp table`) are kept in memory; SQL run on it can open no other file.
    Raises StoreError as `open_store` does.
    """
    with deaf_to_interrupts():
        connection = _connect_to_store(path, read_only=True)
        spilled = make_spill_folder(connection, path, is_reader=True)
    with _in_use(connection, path, spilled, is_new=False), owner_only():
        for setting in _READING_SETTINGS:
            connection.execute(setting)
        yield connection


@contextmanager
def _in_use(connection: duckdb.DuckDBPyConnection, path: Path, spilled: Path, is_new: bool) -> Iterator[None]:
    try:
        with _noting_interrupts() as interrupted:
            _check_version(connection, path)
            yield
    except BaseException as error:
        with deaf_to_interrupts():
            connection.close()
            remove_spill_folder(spilled)
            if is_new:
                path.unlink(missing_ok=True)
        if interrupted.is_set():
            # Libraries make of Ctrl-C whatever error they have at hand.
            raise KeyboardInterrupt from error
        if _is_of_the_disk(error):
            raise StoreError(
                f"The store {path} could not be read or written to the end: the disk is full, memory ran out, or the "
                "file is damaged. What was stored before is unchanged. Make room, or give a larger --memory-limit, and "
                "run the command again; if that does not help, load the extracts into a new store."
            ) from error
        raise
    with deaf_to_interrupts():
        connection.close()
        remove_spill_folder(spilled)


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Everything inside is stored at once at the end, or nothing of it when something is raised.

    Ctrl-C counts until the end begins; from then on the rows are stored.
    """
    connection.begin()
    try:
        yield
    except BaseException:
        # After some errors the transaction is already gone.
        with suppress(duckdb.Error):
            connection.rollback()
        raise
    with deaf_to_interrupts():
        connection.commit()


@contextmanager
def _noting_interrupts() -> Iterator[threading.Event]:
    """Ctrl-C raises KeyboardInterrupt inside as ever, and also sets the event."""
    interrupted = threading.Event()

    def note(number: int, frame: FrameType | None) -> None:
        interrupted.set()
        signal.default_int_handler(number, frame)

    with _on_interrupt(note):
        yield interrupted


def deaf_to_interrupts() -> AbstractContextManager[None]:
    """Ctrl-C does nothing inside: for the few lines that must not be done by halves."""
    return _on_interrupt(signal.SIG_IGN)


@contextmanager
def _on_interrupt(handler: Callable[[int, FrameType | None], None] | signal.Handlers) -> Iterator[None]:
    # Only the main thread hears of Ctrl-C.
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def owner_only() -> Iterator[None]:
    """Files made inside are readable by their owner only: the store, its log, and rows that do not fit into memory."""
    mask = os.umask(_NOT_FOR_OTHERS)
    try:
        yield
    finally:
        os.umask(mask)


def _connect_to_store(path: Path, *, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    if not os.path.exists(path):
        raise StoreError(f"There is no store at {path}. Make one first: bandaudit load EXTRACT --store {path}")
    return _connect(path, read_only=read_only)


def _connect(path: Path, *, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    try:
        with owner_only():
            return duckdb.connect(str(path), read_only=read_only, config=_settings())
    except duckdb.Error as error:
        if any(sign in str(error) for sign in _SIGNS_OF_USE):
            raise StoreError(
                f"The store {path} is in use by another program (perhaps a load that is still running). "
                "Nothing was changed. Wait until it has finished, then run the command again."
            ) from error
        raise StoreError(
            f"The file {path} cannot be opened as a store: it is not a store of this tool, it is damaged, or you may "
            "not read or write it. Nothing was changed. Check the path given with --store."
        ) from error


def _settings() -> dict[str, str | bool | int | float | list[str]]:
    limit = shares().database_bytes
    return dict(_SETTINGS) if limit is None else {**_SETTINGS, "memory_limit": f"{limit}B"}


def _is_of_the_disk(error: BaseException) -> bool:
    kinds = (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.FatalException)
    signs = ("Corrupt database", "Failed to commit", "Could not write")
    return isinstance(error, kinds) or (isinstance(error, duckdb.Error) and any(sign in str(error) for sign in signs))


def _create(path: Path) -> bool:
    """Makes an empty store; false when another program has made one meanwhile.

    It is made beside and then given its name, so that a store half made by a killed program is never found.
    """
    if not os.path.isdir(path.parent):
        raise StoreError(f"The folder {path.parent} for the store does not exist. Make it, or give another --store.")
    if not os.access(path.parent, os.W_OK):
        raise StoreError(f"You may not write into the folder {path.parent}. Give another --store.")
    unfinished = path.with_name(f"{path.name}.unfinished-{os.getpid()}")
    try:
        connection = _connect(unfinished)
        try:
            with transaction(connection):
                create_tables(connection)
                set_fact(connection, "schema_version", SCHEMA_VERSION)
                set_fact(connection, "data_version", "0")
        finally:
            connection.close()
        return _give_name(unfinished, path)
    finally:
        unfinished.unlink(missing_ok=True)


def _give_name(unfinished: Path, path: Path) -> bool:
    try:
        # Unlike a rename, a link never takes the place of a store that is already there.
        os.link(unfinished, path)
    except FileExistsError:
        return False
    except OSError:
        # Some disks know no links.
        unfinished.rename(path)
    return True


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
    except (duckdb.CatalogException, duckdb.BinderException):
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


def forget_fact(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    """Takes one fact about the store out."""
    connection.execute("delete from store_facts where name = ?", [name])
