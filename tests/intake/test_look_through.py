"""What one pass through the rows of a table sees, against a plain look at all of them."""

from collections import Counter

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake import look_through as module
from pipeline.intake.look_through import SECONDS_OF_ALL_YEARS, Seen, look_through
from pipeline.memory import Shares

Row = tuple[int | None, int, bool]
ROWS = st.lists(st.tuples(st.none() | st.integers(1, 3), st.integers(0, 5), st.booleans()), max_size=12)


def seen(rows: list[Row]) -> Seen:
    numbers = [None if stay is None else stay * SECONDS_OF_ALL_YEARS + at for stay, at, _ in rows]
    frame = pl.DataFrame(
        {"stay_and_instant": numbers, "is_outside": [outside for *_, outside in rows]},
        schema={"stay_and_instant": pl.Int64, "is_outside": pl.Boolean},
    )
    with duckdb.connect() as connection:
        connection.register("rows", frame)
        return look_through(connection, "select * from rows")


@pytest.mark.parametrize("rows_sorted", [0, 1_000], ids=["by the database", "in memory"])
@settings(max_examples=60, deadline=None, derandomize=True)
@given(rows=ROWS, piece=st.integers(1, 5))
def test_it_sees_strangers_rows_outside_and_shared_instants_in_any_order(
    rows_sorted: int, rows: list[Row], piece: int
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "shares", lambda: Shares(rows_in_a_piece=piece, rows_sorted=rows_sorted))
        found = seen(rows)
    counted = Counter((stay, at) for stay, at, _ in rows if stay is not None)
    assert found.any_stranger == any(stay is None for stay, *_ in rows)
    assert found.any_outside == any(outside for *_, outside in rows)
    assert found.shared.tolist() == sorted(s * SECONDS_OF_ALL_YEARS + at for (s, at), n in counted.items() if n > 1)


@pytest.mark.parametrize(
    ("rows", "is_sorted"),
    [
        ([(2, 1, False), (2, 5, False), (1, 0, False), (1, 9, False)], False),
        ([(1, 1, False), (1, 1, False)], True),
        ([(1, 5, False), (1, 1, False)], True),
        # The rows of a stay do not stand together.
        ([(1, 1, False), (2, 1, False), (1, 2, False)], True),
        ([], False),
    ],
)
def test_only_rows_out_of_order_are_sorted(monkeypatch: pytest.MonkeyPatch, rows: list[Row], is_sorted: bool) -> None:
    """Stays may come in any order."""
    usual, calls = module._by_numpy, list[str]()
    monkeypatch.setattr(
        module, "_by_numpy", lambda connection, known: (calls.append(known), usual(connection, known))[1]
    )
    seen(rows)
    assert bool(calls) == is_sorted
