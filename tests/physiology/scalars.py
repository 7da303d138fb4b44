"""One value out of a formula over columns, by way of a frame of one row."""

from collections.abc import Callable
from typing import Any

import polars as pl

NO_TEXT = pl.lit(None, dtype=pl.String)
NO_NUMBER = pl.lit(None, dtype=pl.Float64)
NOT_KNOWN = pl.lit(None, dtype=pl.Boolean)


def answer(formula: Callable[..., pl.Expr], *values: Any, **options: Any) -> Any:
    """What the formula gives for these values; None stands for a missing number."""
    columns = {f"v{place}": [value] for place, value in enumerate(values) if not isinstance(value, pl.Expr)}
    kinds = {name: _kind(values[0]) for name, values in columns.items()}
    given = [v if isinstance(v, pl.Expr) else pl.col(f"v{place}") for place, v in enumerate(values)]
    frame = pl.DataFrame({**columns, "one": [1]}, schema={**kinds, "one": pl.Int8})
    return frame.select(formula(*given, **options).alias("answer"))["answer"].item()


def _kind(value: Any) -> Any:
    if isinstance(value, bool):
        return pl.Boolean
    return pl.String if isinstance(value, str) else pl.Float64
