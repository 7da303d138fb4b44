"""What every way in has in common: rows of one canonical table, piece by piece, each cell as text."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.intake.ragged import RaggedRow


@dataclass(frozen=True)
class Source:
    """The rows of one table of the extract out of one file or query.

    table: the canonical table. name: what messages and the ledger call it. columns: the columns of its pieces, as
    they will be checked. pieces: yields frames with `row_number` and those columns as text (null where empty), in
    order; rows with the wrong number of cells go to the list it is given instead. fingerprint: SHA-256 of the file or
    of the rows, asked for after the pieces were read. units: declared unit of a column where it is not the one in its
    name; the pieces are converted already, the declaration is for messages. about_rows: about how many rows it has, 0
    where that cannot be said before they are read; to tell how long it will take.
    """

    table: str
    name: str
    columns: list[str]
    pieces: Callable[[list[RaggedRow]], Iterator[pl.DataFrame]]
    fingerprint: Callable[[], str]
    units: Mapping[str, str] = field(default_factory=dict)
    about_rows: int = 0
