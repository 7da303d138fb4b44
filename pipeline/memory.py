"""A limit on the memory of the whole program, and how it is shared out between the database and rows held as frames.

The limit belongs to the process: it is set once, before a store is opened, and whoever takes much memory asks here.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from pipeline.errors import AuditError

LOWEST_TEXT = "800MB"
_UNITS = {"MB": 10**6, "MiB": 2**20, "GB": 10**9, "GiB": 2**30}
_LOWEST = 800 * 10**6
# What the libraries themselves take once a load is judged or a chart is drawn, measured on Linux.
_LIBRARIES = 430 * 10**6
# Measured as well: a batch in the making, with the frames it starts from, and the batch before it as it is stored.
_BYTES_A_READING = 250


@dataclass(frozen=True)
class Shares:
    """database_bytes: what the store may take (null: what DuckDB thinks right); second_database_bytes: what a database
    may take into which a standard's tables are read first.

    readings_in_a_batch: how many are measured together. rows_in_a_piece, bytes_in_a_piece: how much of a file is read
    at a time. rows_sorted: how many instants may be sorted in memory. rows_pooled: how many rows of measures are pooled
    at a time.
    """

    database_bytes: int | None = None
    second_database_bytes: int = 2 * 10**9
    readings_in_a_batch: int = 2_000_000
    rows_in_a_piece: int = 250_000
    bytes_in_a_piece: int = 16 * 2**20
    rows_sorted: int = 100_000_000
    rows_pooled: int = 500_000


_shares = Shares()


def shares() -> Shares:
    """How memory is shared out in this process."""
    return _shares


def bytes_of(text: str) -> int:
    """The limit as written, for example 4GB or 900MB; raises AuditError where it is none, or too low to work with."""
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?([KMGT]i?B)", text.strip(), re.IGNORECASE)
    unit = next((size for name, size in _UNITS.items() if found and name.lower() == found[2].lower()), None)
    if found is None or unit is None:
        raise AuditError(
            "--memory-limit is not an amount of memory. Give a number with MB, MiB, GB or GiB, for example "
            "--memory-limit 4GB"
        )
    limit = round(float(found[1]) * unit)
    if limit < _LOWEST:
        raise AuditError(
            f"--memory-limit is below {LOWEST_TEXT}: the libraries alone need more than half of that. Give "
            f"{LOWEST_TEXT} or more."
        )
    return limit


@contextmanager
def limited(limit: int | None) -> Iterator[None]:
    """While inside, the program keeps to so many bytes in all (null: no limit)."""
    global _shares
    before = _shares
    _shares = Shares() if limit is None else _shared_out(limit)
    try:
        yield
    finally:
        _shares = before


def _shared_out(limit: int) -> Shares:
    usual, rest = Shares(), limit - _LIBRARIES
    return Shares(
        database_bytes=rest * 45 // 100,
        second_database_bytes=min(usual.second_database_bytes, rest // 4),
        readings_in_a_batch=min(usual.readings_in_a_batch, rest * 35 // 100 // _BYTES_A_READING),
        rows_in_a_piece=min(usual.rows_in_a_piece, rest // 6000),
        bytes_in_a_piece=min(usual.bytes_in_a_piece, rest // 150),
        rows_sorted=min(usual.rows_sorted, rest // 25),
        rows_pooled=min(usual.rows_pooled, rest // 2000),
    )
