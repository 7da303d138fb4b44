"""The folder beside a store for rows that do not fit into memory: its owner's alone, and gone with the connection."""

import os
from contextlib import suppress
from pathlib import Path

import duckdb

_OWNER_ONLY = 0o700
# What DuckDB calls the files it makes there: nothing else is ever taken away.
_SPILLED = "duckdb_temp_*"


def make_spill_folder(connection: duckdb.DuckDBPyConnection, store: Path, *, is_reader: bool) -> Path:
    """Gives an open store its folder, and takes away those that killed programs have left.

    is_reader: the store is open for reading only; several programs may read at once, so each has a folder of its own,
    which DuckDB makes when there is something to spill (then `owner_only` must hold). A program that may write is alone
    with the store: what others have left belongs to nobody.
    """
    if not is_reader:
        for left in store.parent.iterdir():
            if left.name.startswith(f"{store.name}.tmp"):
                remove_spill_folder(left)
    folder = store.with_name(f"{store.name}.tmp-{os.getpid()}" if is_reader else f"{store.name}.tmp")
    # Where nothing may be written beside the store, nothing is spilled.
    with suppress(OSError):
        if not is_reader:
            folder.mkdir(mode=_OWNER_ONLY, exist_ok=True)
        connection.execute("set temp_directory = $folder", {"folder": str(folder)})
    return folder


def remove_spill_folder(folder: Path) -> None:
    """Takes away what was spilled, and the folder if nothing else is in it."""
    with suppress(OSError):
        for file in folder.glob(_SPILLED):
            file.unlink()
        folder.rmdir()
