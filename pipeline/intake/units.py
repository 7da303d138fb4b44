"""Stops a load whose values contradict the unit a column is declared in."""

from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import UnitError
from pipeline.intake.tally import Tally
from pipeline.vocabulary import Kind, Table

# column: (unit it is declared in, other unit, lowest and highest value that would fit the other unit).
# 1 kPa = 7.50062 mmHg (NIST SP 811).
_OTHER_UNITS = {
    "spo2_percent": ("percent", "fraction", 0.5, 1.0),
    "fio2_fraction": ("fraction", "percent", 21.0, 100.0),
    "pco2_kpa": ("kPa", "mmHg", 11.25, 187.6),
    "po2_kpa": ("kPa", "mmHg", 7.5, 675.1),
}
# Fewer are typing errors, kept aside row by row; this many mean that the column is in another unit.
_SHARE_THAT_STOPS = 0.1


@dataclass
class UnitCount:
    """For each column of one file: how many numbers it holds, and the rows that fit only the other unit."""

    numbers: dict[str, int] = field(default_factory=dict)
    contradicting: dict[str, Tally] = field(default_factory=dict)


def count_units(rows: pl.DataFrame, table: Table, count: UnitCount) -> None:
    """Adds the typed rows of one piece to `count`."""
    for column in table.columns:
        if column.kind is not Kind.NUMBER or column.name not in _OTHER_UNITS:
            continue
        _, _, lowest, highest = _OTHER_UNITS[column.name]
        value = pl.col(column.name)
        fits_other_only = ~value.is_between(column.lowest, column.highest) & value.is_between(lowest, highest)
        count.numbers[column.name] = count.numbers.get(column.name, 0) + rows[column.name].count()
        count.contradicting.setdefault(column.name, Tally()).add(rows.filter(fits_other_only)["row_number"])


def refuse_contradicted_units(file_name: str, count: UnitCount) -> None:
    """Raises UnitError naming each column whose values fit another unit than the declared one."""
    lines = []
    for name, rows in count.contradicting.items():
        if rows.count and rows.count >= _SHARE_THAT_STOPS * count.numbers[name]:
            declared, other, _, _ = _OTHER_UNITS[name]
            lines.append(
                f"column {name} is declared in {declared}, but {rows.count:,} of {count.numbers[name]:,} values "
                f"would fit {other} instead ({rows})"
            )
    if lines:
        raise UnitError(
            f"Units contradict the values in the file {file_name}: {'; '.join(lines)}. "
            "Convert the column to the declared unit in the export and load again; nothing was stored."
        )
