"""Types the rows of one piece of a file and names the first rule each bad row breaks.

These are the rules that one row decides by itself. Rules that need other rows (unknown stay, outside the stay,
repeats) are in `settle.py`.
"""

from datetime import datetime

import polars as pl

from pipeline.intake.fhir.codes import FHIR_RULES
from pipeline.intake.read import as_text
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
    **FHIR_RULES,
}

# From the start of 1970 to the end of 2499.
_YEARS_ACCEPTED = (datetime(1970, 1, 1), datetime(2500, 1, 1))

# A rule: when it is broken, its name, and the column at fault.
Fault = tuple[pl.Expr, str, str]


def typed(piece: pl.DataFrame, table: Table, zone: str) -> pl.DataFrame:
    """Turns cells into typed columns and says what is wrong with each row.

    In: one row per row of the file, as `read.pieces` yields it; columns of the table that the file lacks may be absent.
    Out: one row per row, in order, with `row_number`, the table's columns (times in UTC without zone, whole
    seconds, fractions of a second dropped; numbers as Float64; codes and keys as text), `rule` and `fault_column`
    (the first rule broken, null for a good row), `ambiguous` (how many of the row's local times occur twice) and
    `cells` (the row as JSON, for rows that break a rule).
    zone: the time zone of times that carry no offset.
    """
    cells = _cells(piece, table)
    frame = cells.select(
        "row_number",
        *(_value(column, cells.schema[column.name]) for column in table.columns if column.kind is not Kind.TIME),
        *(pl.col(name).is_null().alias(f"{name}:empty") for name in table.column_names),
    ).with_columns(
        series.alias(column.name if part == "utc" else f"{column.name}:{part}")
        for column in table.columns
        if column.kind is Kind.TIME
        for part, series in local_to_utc(cells[column.name], zone).to_dict().items()
    )
    faults = [fault for column in table.columns for fault in _faults(column)] + _row_faults(table)
    first_fault = pl.coalesce(pl.when(broken).then(pl.lit(n, pl.UInt8)) for n, (broken, _, _) in enumerate(faults))
    twice = [pl.col(f"{column.name}:twice") for column in table.columns if column.kind is Kind.TIME]
    frame = frame.select(
        "row_number", *table.column_names, fault=first_fault, ambiguous=pl.sum_horizontal(twice).cast(pl.Int32)
    )
    broken = frame["fault"].is_not_null().arg_true()
    described = _described(frame["fault"].gather(broken), cells[broken], table, faults)
    nothing = pl.Series([None], dtype=pl.String).new_from_index(0, frame.height)
    return frame.drop("fault").with_columns(
        (nothing.clone().scatter(broken, words) if words.len() else nothing).alias(words.name) for words in described
    )


def _cells(piece: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The table's columns: text without surrounding blanks, null where empty, or numbers and times already typed."""
    chosen = [
        _cell(column, piece.schema[column.name])
        if column.name in piece.columns
        else pl.lit(None, dtype=pl.String).alias(column.name)
        for column in table.columns
    ]
    texts = pl.col(pl.String)
    return (
        piece.select("row_number", *chosen)
        .with_columns(texts.str.strip_chars())
        .with_columns(pl.when(texts != "").then(texts).name.keep())
    )


def _cell(column: Column, kind: pl.DataType) -> pl.Expr:
    stays_typed = (column.kind is Kind.NUMBER and kind.is_numeric()) or (
        column.kind is Kind.TIME and isinstance(kind, pl.Datetime)
    )
    return pl.col(column.name) if stays_typed else as_text(column.name, kind)


def _value(column: Column, kind: pl.DataType) -> pl.Expr:
    cell = pl.col(column.name)
    if column.kind is Kind.NUMBER:
        # By way of text, 0.28 in single precision is the same number as 0.28 in double precision.
        single = kind in (pl.Float32, pl.Float16)
        number = (cell.cast(pl.String) if single else cell).cast(pl.Float64, strict=False)
        return pl.when(number.is_finite()).then(number).alias(column.name)
    if _is_numeric_code(column):
        # Spreadsheets write the code 1 as 1.0.
        return cell.str.strip_suffix(".0")
    return cell


def _is_numeric_code(column: Column) -> bool:
    return column.kind is Kind.CODE and all(code.isdigit() for code in column.codes)


def _faults(column: Column) -> list[Fault]:
    is_empty, value = pl.col(f"{column.name}:empty"), pl.col(column.name)
    faults: list[Fault] = []
    if column.required:
        faults.append((is_empty, "missing_required", column.name))
    unread = ~is_empty & value.is_null()
    if column.kind is Kind.TIME:
        gone = pl.col(f"{column.name}:gone")
        faults.append((gone, "local_time_does_not_exist", column.name))
        faults.append((unread & ~gone, "not_a_time", column.name))
        faults.append((~value.is_between(*_YEARS_ACCEPTED, closed="left"), "out_of_range", column.name))
    if column.kind is Kind.NUMBER:
        faults.append((unread, "not_a_number", column.name))
        if column.lowest is not None:
            faults.append((~value.is_between(column.lowest, column.highest), "out_of_range", column.name))
    if column.kind is Kind.CODE:
        faults.append((~value.is_in(column.codes), "unknown_code", column.name))
    return faults


def _row_faults(table: Table) -> list[Fault]:
    faults: list[Fault] = []
    if table.ends:
        faults.append((pl.col(table.ends) < pl.col(table.at), "ends_before_it_starts", table.ends))
    if "upper_percent" in table.column_names:
        faults.append((pl.col("lower_percent") >= pl.col("upper_percent"), "out_of_range", "upper_percent"))
    return faults


def _described(fault: pl.Series, cells: pl.DataFrame, table: Table, faults: list[Fault]) -> pl.DataFrame:
    """One row per row that breaks a rule: `rule`, `fault_column`, and `cells` as JSON."""
    numbers = list(range(len(faults)))
    rules, columns = ([fault[part] for fault in faults] for part in (1, 2))
    texts = [as_text(name, cells.schema[name]) for name in table.column_names]
    return cells.with_columns(fault).select(
        rule=pl.col("fault").replace_strict(numbers, rules, return_dtype=pl.String),
        fault_column=pl.col("fault").replace_strict(numbers, columns, return_dtype=pl.String),
        cells=pl.struct(texts).struct.json_encode(),
    )
