"""What the tables of the case page are made of: cells, and the cells that several tables share."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from reports import case_words, wording
from reports.case_record import Record


@dataclass(frozen=True)
class Cell:
    """One cell: its text, and what stands smaller under it; is_marked: what a team should look at first."""

    text: str
    small: str = ""
    is_marked: bool = False


@dataclass(frozen=True)
class Table:
    """One section with a table. `nothing`: what is said instead when there is no row."""

    key: str
    title: str
    lead: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    nothing: str


Row = Mapping[str, Any]


def made(record: Record, table: str, cells: Callable[[Row], Sequence[Cell]]) -> tuple[tuple[Cell, ...], ...]:
    """One row of cells for each row of a table of the record."""
    return tuple(tuple(cells(row)) for row in record.frames[table].rows(named=True))


def gas_cell(row: Row, which: str, at: datetime) -> Cell:
    taken = row[f"gas_{which}_at"]
    if taken is None:
        return Cell("no gas")
    pco2, ph = row[f"gas_{which}_pco2_kpa"], row[f"gas_{which}_ph"]
    words = [] if pco2 is None else [f"{wording.exact(pco2, 1)} kPa"]
    words += [] if ph is None else [f"pH {wording.exact(ph, 2)}"]
    apart = abs((taken - at).total_seconds())
    when = "at that time" if apart == 0 else f"{wording.duration(apart)} {which}"
    return Cell(", ".join(words) or "taken, no values", when)


def difference_cell(row: Row) -> Cell:
    pco2, ph = row["pco2_change_kpa"], row["ph_change"]
    if pco2 is None and ph is None:
        return Cell(wording.NOTHING)
    return Cell(f"pCO2 {case_words.change(pco2, 1, 'kPa')}", f"pH {case_words.change(ph, 2)}")
