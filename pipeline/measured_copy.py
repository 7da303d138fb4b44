"""A store as another policy would measure it: on a temporary copy, so that the store itself stays as it is."""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import duckdb

from pipeline.catalogue import fingerprint, read_measures
from pipeline.errors import StoreError
from pipeline.measure import measure_store
from pipeline.policy import Policy
from pipeline.store import deaf_to_interrupts, fact, open_store, read_store, tool_version


class MeasuredStore(NamedTuple):
    """A measured store, open for reading only; `is_copy`: it is not the store itself but a copy, gone afterwards."""

    connection: duckdb.DuckDBPyConnection
    is_copy: bool


@contextmanager
def measured_by(
    path: Path, policy: Policy, tell: Callable[[str], None] = lambda _: None, *, any_measures: bool = False
) -> Iterator[MeasuredStore]:
    """The store at `path` where it was measured by this policy, else a temporary copy of it that is; never changed.

    any_measures: it does not matter which measure files the store was measured with, since only its other tables are
    read. The copy stands in a folder beside the store that its owner alone may enter, and is removed at the end, also
    after Ctrl-C. Raises StoreError when the store cannot be read or the copy not be made, and what `measure_store`
    raises.
    """
    with read_store(path) as connection:
        if is_measured_by(connection, policy, any_measures=any_measures):
            yield MeasuredStore(connection, is_copy=False)
            return
    with _copy_of(path, tell) as copy:
        with open_store(copy) as connection:
            measure_store(connection, policy, tell)
        with read_store(copy) as connection:
            yield MeasuredStore(connection, is_copy=True)


def is_measured_by(connection: duckdb.DuckDBPyConnection, policy: Policy, *, any_measures: bool = False) -> bool:
    """Whether the measured tables of a store are those of its data, this policy, this tool and its measures.

    any_measures: whether the measures are the tool's is not asked.
    """
    state = (fact(connection, "measured_state") or "").split(":")
    wanted = [fact(connection, "data_version"), policy.fingerprint, "", tool_version()]
    wanted[2] = state[2] if any_measures and len(state) == len(wanted) else fingerprint(read_measures())
    return state == wanted


@contextmanager
def _copy_of(path: Path, tell: Callable[[str], None]) -> Iterator[Path]:
    try:
        folder = Path(tempfile.mkdtemp(prefix=f"{path.name}.copy-", dir=path.parent))
    except OSError as error:
        raise StoreError(
            f"No temporary copy of the store can be made in the folder {path.parent}: {error.strerror}. The store was "
            "not changed. Put a copy of it where you may write, and give that with --store."
        ) from error
    try:
        tell("copying the store")
        yield _copied(path, folder)
    finally:
        with deaf_to_interrupts():
            shutil.rmtree(folder, ignore_errors=True)


def _copied(path: Path, folder: Path) -> Path:
    copy = folder / path.name
    try:
        # Nobody can write into a store that is being read.
        with read_store(path):
            shutil.copyfile(path, copy)
            log = path.with_name(f"{path.name}.wal")
            if log.exists():
                shutil.copyfile(log, copy.with_name(log.name))
    except OSError as error:
        raise StoreError(
            f"The store could not be copied into the folder {path.parent}: {error.strerror}. It was not changed, and "
            "the copy is gone. It needs as much room as the store for a while."
        ) from error
    return copy
