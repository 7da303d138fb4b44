"""Looks through the rows of a table once: does any belong to no stay, lie outside its stay, or share its instant?

An instant of a stay is one number. Where the rows of each stay stand together and in order, as in most extracts, one
pass sees that none is shared; else the numbers are sorted, in memory while there is room, by the database beyond that.
"""

from dataclasses import dataclass, field

import duckdb
import numpy as np

from pipeline.memory import shares

# More than the seconds from 1970 to 2499: a number for a stay and an instant, which is quick to sort.
SECONDS_OF_ALL_YEARS = 2**34
_ROWS = 250_000


@dataclass
class Seen:
    """shared: the numbers (stay and instant) that more than one row has, each once, in order."""

    any_stranger: bool = False
    any_outside: bool = False
    shared: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=np.int64))


def look_through(connection: duckdb.DuckDBPyConnection, query: str) -> Seen:
    """What is seen among rows of `stay_and_instant` (null: of no known stay) and `is_outside` (never null)."""
    seen, rows, order = Seen(), 0, _Order()
    for batch in connection.sql(query).to_arrow_reader(min(_ROWS, shares().rows_in_a_piece)):
        numbers = batch.column(0)
        seen.any_stranger |= numbers.null_count > 0
        seen.any_outside |= batch.column(1).true_count > 0
        order.note(numbers.drop_null().to_numpy())
        rows += len(numbers)
    if not order.is_kept():
        known = f"select stay_and_instant from ({query}) where stay_and_instant is not null"
        seen.shared = (_by_numpy if rows <= shares().rows_sorted else _by_database)(connection, known)
    return seen


def _by_numpy(connection: duckdb.DuckDBPyConnection, known: str) -> np.ndarray:
    numbers = connection.execute(known).fetchnumpy()["stay_and_instant"]
    # Without nulls this is no copy, and neither is the sorting.
    in_order = np.ma.compressed(numbers)
    in_order.sort()
    return np.unique(in_order[1:][in_order[1:] == in_order[:-1]])


def _by_database(connection: duckdb.DuckDBPyConnection, known: str) -> np.ndarray:
    """The database writes what it sorts to disk where it must; of what comes back, only neighbours are looked at."""
    found, last = [np.empty(0, dtype=np.int64)], -1
    for batch in connection.sql(f"{known} order by stay_and_instant").to_arrow_reader(_ROWS):
        numbers = batch.column(0).to_numpy()
        found.append(numbers[numbers == np.concatenate(([last], numbers[:-1]))])
        last = int(numbers[-1])
    return np.unique(np.concatenate(found))


class _Order:
    """Whether the rows of each stay stand together, each later than the one before it."""

    def __init__(self) -> None:
        self._stays, self._last, self._is_kept = list[np.ndarray](), -1, True

    def note(self, numbers: np.ndarray) -> None:
        if not self._is_kept or not numbers.size:
            return
        before = np.concatenate(([self._last], numbers[:-1]))
        begins = numbers // SECONDS_OF_ALL_YEARS != before // SECONDS_OF_ALL_YEARS
        self._is_kept = bool((begins | (numbers > before)).all())
        self._stays.append(numbers[begins] // SECONDS_OF_ALL_YEARS)
        self._last = int(numbers[-1])

    def is_kept(self) -> bool:
        if not self._is_kept:
            return False
        stays = np.concatenate(self._stays) if self._stays else np.empty(0, dtype=np.int64)
        return np.unique(stays).size == stays.size
