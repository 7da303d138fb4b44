"""Counts rows and keeps the numbers of the first few, for messages that name rows and never values."""

from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import EXAMPLES_SHOWN


@dataclass
class Tally:
    """How many rows were met, and the numbers of the first of them."""

    count: int = 0
    first: list[int] = field(default_factory=list)

    def add(self, row_numbers: pl.Series) -> None:
        self.count += len(row_numbers)
        self.first.extend(row_numbers.head(max(0, EXAMPLES_SHOWN - len(self.first))).to_list())

    def __str__(self) -> str:
        more = self.count - len(self.first)
        noun = "row" if self.count == 1 else "rows"
        return f"{noun} {', '.join(map(str, self.first))}" + (f" and {more:,} more" if more else "")
