"""Stops a load whose values contradict the unit a column is declared in."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import UnitError
from pipeline.intake.mapping.rows import as_written, in_own_unit
from pipeline.intake.mapping.values import UNITS
from pipeline.intake.tally import Tally
from pipeline.vocabulary import Column, Table

# Fewer are typing errors, kept aside row by row; this many mean that the column is in another unit.
_SHARE_THAT_STOPS = 0.1


@dataclass
class UnitCount:
    """For each column of one file: how many numbers it holds, and the rows that fit only the other unit.

    declared: the unit of a column where a mapping declares another than the one of the extract.
    """

    declared: Mapping[str, str] = field(default_factory=dict)
    numbers: dict[str, int] = field(default_factory=dict)
    contradicting: dict[str, Tally] = field(default_factory=dict)

    def units(self, column: str) -> tuple[str, str]:
        """The unit that a column is declared in, and the other that it could have."""
        own, other = UNITS[column]
        return (other, own) if self.declared.get(column) == other else (own, other)


def count_units(rows: pl.DataFrame, table: Table, count: UnitCount) -> None:
    """Adds the typed rows of one piece, converted to the units of the extract already, to `count`."""
    for column in table.columns:
        if column.name not in UNITS:
            continue
        declared, other = count.units(column.name)
        value = pl.col(column.name)
        in_other = in_own_unit(as_written(value, column.name, declared), column.name, other)
        fits_other_only = ~_in_range(value, column) & _in_range(in_other, column)
        count.numbers[column.name] = count.numbers.get(column.name, 0) + rows[column.name].count()
        count.contradicting.setdefault(column.name, Tally()).add(rows.filter(fits_other_only)["row_number"])


def _in_range(value: pl.Expr, column: Column) -> pl.Expr:
    return value.is_between(column.lowest, column.highest)


def refuse_contradicted_units(file_name: str, count: UnitCount) -> None:
    """Raises UnitError naming each column whose values fit another unit than the declared one."""
    lines = []
    for name, rows in count.contradicting.items():
        if rows.count and rows.count >= _SHARE_THAT_STOPS * count.numbers[name]:
            declared, other = count.units(name)
            lines.append(
                f"column {name} is declared in {declared}, but {rows.count:,} of {count.numbers[name]:,} values "
                f"would fit {other} instead ({rows})"
            )
    if lines:
        raise UnitError(
            f"Units contradict the values in the file {file_name}: {'; '.join(lines)}. "
            "Convert the column to the declared unit in the export, or declare the unit that fits under units in a "
            "mapping, and load again; nothing was stored."
        )
