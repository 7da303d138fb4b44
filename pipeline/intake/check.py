"""Types the rows of one piece of a file and names the first rule each bad row breaks.

These are the rules that one row decides by itself. Rules that need other rows (unknown stay, outside the stay,
repeats) are in `settle.py`.
"""

import polars as pl

from pipeline.intake.times import local_to_utc
from pipeline.vocabulary import Column, Kind, Table

# What each rule means, for people.
RULES = {
    "missing_required": "a required cell is empty",
    "not_a_number": "the cell does not hold a number",
    "not_a_time": "the cell does not hold a date with a time of day (YYYY-MM-DD HH:MM[:SS], with or without offset)",
    "local_time_does_not_exist": "the clocks went forward over this local time, so it never happened",
    "out_of_range": "the value lies outside the accepted range",
    "unknown_code": "the code is not one of the agreed list",
    "ends_before_it_starts": "the end lies before the start",
    "wrong_number_of_cells": "the row has more or fewer cells than the header",
    "unknown_stay": "no accepted row of stays has this stay_id",
    "outside_the_stay": "the time lies before admission, or at or after discharge",
    "conflicting_repeat": "another row has the same stay and instant but other content",
}


def typed(piece: pl.DataFrame, table: Table, zone: str) -> pl.DataFrame:
    """Turns text cells into typed columns and says what is wrong with each row.

    In: one row per row of the file, text columns; columns of the table that the file lacks may be absent.
    Out: one row per row, in order, with `row_number`, the table's columns (times in UTC without zone, whole
    seconds, fractions of a second dropped; numbers as Float64; codes and keys as text), `rule` and `fault_column`
    (the first rule broken, null for a good row), `ambiguous` (how many of the row's local times occur twice) and
    `cells` (the row as JSON, for rows that break a rule).
    zone: the time zone of times that carry no offset.
    """
    absent = [name for name in table.column_names if name not in piece.columns]
    text = piece.with_columns(pl.lit(None, dtype=pl.String).alias(name) for name in absent).with_columns(
        _tidy(pl.col(name)) for name in table.column_names
    )
    times = [column for column in table.columns if column.kind is Kind.TIME]
    converted = text.select(expression for column in times for expression in local_to_utc(column.name, zone))
    rest = text.select(
        "row_number",
        *(pl.col(c.name).alias(f"{c.name}:text") for c in table.columns),
        *(_value(column) for column in table.columns if column.kind is not Kind.TIME),
    )
    frame = pl.concat([rest, converted], how="horizontal")
    faults = [fault for column in table.columns for fault in _faults(column)] + _row_faults(table)
    good = pl.lit(None, dtype=pl.String)
    rule, fault_column = good, good
    for broken, rule_name, column_name in reversed(faults):
        rule = pl.when(broken).then(pl.lit(rule_name)).otherwise(rule)
        fault_column = pl.when(broken).then(pl.lit(column_name)).otherwise(fault_column)
    cells = pl.struct(pl.col(f"{name}:text").alias(name) for name in table.column_names).struct.json_encode()
    return (
        frame.with_columns(
            rule=rule,
            fault_column=fault_column,
            ambiguous=pl.sum_horizontal(pl.col(f"{c.name}:twice") for c in times).cast(pl.Int32),
        )
        .with_columns(cells=pl.when(pl.col("rule").is_not_null()).then(cells))
        .select("row_number", *table.column_names, "rule", "fault_column", "ambiguous", "cells")
    )


def _tidy(cell: pl.Expr) -> pl.Expr:
    stripped = cell.str.strip_chars()
    return pl.when(stripped != "").then(stripped).name.keep()


def _value(column: Column) -> pl.Expr:
    cell = pl.col(column.name)
    if column.kind is Kind.NUMBER:
        number = cell.cast(pl.Float64, strict=False)
        return pl.when(number.is_finite()).then(number).alias(column.name)
    if column.kind is Kind.CODE:
        # Spreadsheets write the code 1 as 1.0.
        return cell.str.replace(r"^(\d+)\.0+$", "${1}").alias(column.name)
    return cell


def _faults(column: Column) -> list[tuple[pl.Expr, str, str]]:
    text, value = pl.col(f"{column.name}:text"), pl.col(column.name)
    faults = []
    if column.required:
        faults.append((text.is_null(), "missing_required", column.name))
    unread = text.is_not_null() & value.is_null()
    if column.kind is Kind.TIME:
        gone = pl.col(f"{column.name}:gone")
        faults.append((gone, "local_time_does_not_exist", column.name))
        faults.append((unread & ~gone, "not_a_time", column.name))
        faults.append((~value.dt.year().is_between(1970, 2499), "out_of_range", column.name))
    if column.kind is Kind.NUMBER:
        faults.append((unread, "not_a_number", column.name))
        if column.lowest is not None:
            faults.append((~value.is_between(column.lowest, column.highest), "out_of_range", column.name))
    if column.kind is Kind.CODE:
        faults.append((~value.is_in(column.codes), "unknown_code", column.name))
    return [(broken.fill_null(False), rule, name) for broken, rule, name in faults]


def _row_faults(table: Table) -> list[tuple[pl.Expr, str, str]]:
    faults = []
    if table.ends:
        early = pl.col(table.ends) < pl.col(table.at)
        faults.append((early.fill_null(False), "ends_before_it_starts", table.ends))
    if "upper_percent" in table.column_names:
        crossed = pl.col("lower_percent") >= pl.col("upper_percent")
        faults.append((crossed.fill_null(False), "out_of_range", "upper_percent"))
    return faults
