"""Turns rows of a hospital's file or query into rows of one table of the extract, as its mapping says.

Each cell goes through these steps in this order: blanks around it are dropped and missing words become empty; codes are
translated; a decimal comma becomes a point; the number is converted from its declared unit; the time is written as ISO
8601. A cell that a step cannot read is passed on as it is: the check of the rows keeps it aside with the right reason.
"""

from collections.abc import Callable, Mapping

import polars as pl

from pipeline.intake.mapping.declaration import TableMapping
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.mapping.values import ANY_OTHER_WORD, EXCEL_SERIAL, UNITS
from pipeline.intake.read import as_text
from pipeline.vocabulary import TABLES, Column, Kind, Table

# 1 mmHg = 133.322387415 Pa (NIST SP 811, conventional millimetre of mercury).
_KPA_PER_MMHG = 0.133322387415
# (unit of the extract, other unit) -> from the other to that of the extract, and back.
_Conversion = Callable[[pl.Expr], pl.Expr]
_CONVERSIONS: Mapping[tuple[str, str], tuple[_Conversion, _Conversion]] = {
    ("percent", "fraction"): (lambda value: value * 100, lambda value: value / 100),
    ("fraction", "percent"): (lambda value: value / 100, lambda value: value * 100),
    ("kPa", "mmHg"): (lambda value: value * _KPA_PER_MMHG, lambda value: value / _KPA_PER_MMHG),
    # pH is 9 minus the decimal logarithm of the hydrogen ion concentration in nmol/L, by definition of pH.
    ("pH", "nmol/L"): (lambda value: 9 - value.log10(), lambda value: 10 ** (9 - value)),
}
# Takes away what binary arithmetic adds; no charted value has as many decimals.
_DECIMALS_KEPT = 6
_DECIMAL_COMMA = r"^([+-]?[0-9]*),([0-9]+)$"
# Day 1 is 1 January 1900, and 29 February 1900, which never was, is counted: ECMA-376 part 1, 18.17.4.1.
_EXCEL_DAY_ZERO = pl.datetime(1899, 12, 30)
# The last second of the year 9999, the last that spreadsheets know.
_LAST_EXCEL_DAY = 2_958_466


def mapped_rows(
    piece: pl.DataFrame,
    part: TableMapping,
    extra: Mapping[str, str],
    is_shared: bool,
    source: str,
    notes: MappingNotes,
) -> pl.DataFrame:
    """The rows of one piece that belong to the table, in its words.

    In: one row per row of the file, `row_number` and the hospital's columns.
    Out: `row_number` and the table's columns that are mapped or fixed, then the `extra` ones (hospital's column ->
    name in the piece), all of them text, null where empty. Left out, and counted in `notes`, are rows that
    `only` does not take and, where several tables share the file, rows in which nothing of this table is filled in.
    """
    table = TABLES[part.table]
    texts = piece.select(
        "row_number", *(_plain_cell(name, kind) for name, kind in piece.drop("row_number").schema.items())
    )
    texts = texts.filter(pl.all_horizontal([pl.lit(True), *(_is_taken(*item) for item in part.only.items())]))
    mapped = texts.select(
        "row_number",
        *(_mapped_cell(table.column(name), columns, part) for name, columns in part.columns.items()),
        *(pl.lit(value).alias(name) for name, value in part.fixed.items()),
        *(pl.col(name).alias(named) for name, named in extra.items()),
    )
    if is_shared:
        mapped = mapped.filter(pl.any_horizontal(pl.col(name).is_not_null() for name in telling_columns(part)))
    notes.left_out[source, part.table] += piece.height - mapped.height
    _note_unknown_codes(mapped, table, part, notes)
    return mapped


def telling_columns(part: TableMapping) -> list[str]:
    """The columns that tell whether a row of a file with several tables is a row of this one.

    These are the required columns that are read from the file, apart from the stay and the time, which every row has;
    where there is none, all columns read from it but these; where there is none either, the time.
    """
    table = TABLES[part.table]
    own = [c for c in table.columns if c.name in part.columns and c.name not in ("stay_id", table.at)]
    required = [c.name for c in own if c.required]
    return required or [c.name for c in own if c.kind is not Kind.TIME] or [table.at]


def _plain_cell(name: str, kind: pl.DataType) -> pl.Expr:
    text = as_text(name, kind).str.strip_chars()
    return pl.when(text != "").then(text).alias(name)


def _is_taken(name: str, values: tuple[str, ...]) -> pl.Expr:
    return _word(pl.col(name)).is_in([" ".join(value.lower().split()) for value in values]).fill_null(False)


def _word(cell: pl.Expr) -> pl.Expr:
    """As words are compared: in small letters, one blank between them."""
    return cell.str.to_lowercase().str.replace_all(r"\s+", " ").str.strip_chars()


def _mapped_cell(column: Column, names: tuple[str, ...], part: TableMapping) -> pl.Expr:
    cells = [_without_missing(pl.col(name), part) for name in names]
    cell = cells[0]
    if len(cells) > 1:
        joined = pl.concat_str(cells, separator=" ", ignore_nulls=True)
        cell = pl.when(joined != "").then(joined)
    if column.name in part.codes:
        cell = _translated(cell, column, part.codes[column.name])
    if column.kind is Kind.NUMBER:
        if part.decimal == ",":
            cell = _with_decimal_point(cell)
        cell = _converted(cell, column, part)
    if column.kind is Kind.TIME:
        cell = _iso_time(cell, part)
    return cell.alias(column.name)


def _without_missing(cell: pl.Expr, part: TableMapping) -> pl.Expr:
    if not part.missing:
        return cell
    return pl.when(~cell.str.to_lowercase().is_in(list(part.missing))).then(cell)


def _translated(cell: pl.Expr, column: Column, codes: Mapping[str, str]) -> pl.Expr:
    words = [word for word in codes if word != ANY_OTHER_WORD]
    other = cell
    if ANY_OTHER_WORD in codes:
        is_known = cell.is_in(column.codes) if column.codes else cell.cast(pl.Float64, strict=False).is_not_null()
        other = pl.when(is_known | cell.is_null()).then(cell).otherwise(pl.lit(codes[ANY_OTHER_WORD]))
    if words:
        other = _word(cell).replace_strict(words, [codes[w] for w in words], default=other, return_dtype=pl.String)
    return pl.when(other != "").then(other)


def _with_decimal_point(cell: pl.Expr) -> pl.Expr:
    return cell.str.replace(_DECIMAL_COMMA, "$1.$2")


def _converted(cell: pl.Expr, column: Column, part: TableMapping) -> pl.Expr:
    if column.name not in part.units:
        return cell
    number = in_own_unit(cell.cast(pl.Float64, strict=False), column.name, part.units[column.name])
    return pl.when(number.is_finite()).then(number.cast(pl.String)).otherwise(cell)


def in_own_unit(number: pl.Expr, column: str, unit: str) -> pl.Expr:
    """Numbers given in one of the units of UNITS, in the unit that the extract has for the column."""
    convert = _CONVERSIONS.get((UNITS[column][0], unit))
    return convert[0](number).round(_DECIMALS_KEPT) if convert else number


def as_written(number: pl.Expr, column: str, unit: str) -> pl.Expr:
    """Numbers in the unit that the extract has for the column, as they stood in the hospital's unit."""
    convert = _CONVERSIONS.get((UNITS[column][0], unit))
    return convert[1](number) if convert else number


def _iso_time(cell: pl.Expr, part: TableMapping) -> pl.Expr:
    read = [_time_read(cell, time_format, part) for time_format in part.time_formats]
    return pl.coalesce(*read, cell) if read else cell


def _time_read(cell: pl.Expr, time_format: str, part: TableMapping) -> pl.Expr:
    if time_format == EXCEL_SERIAL:
        number = (_with_decimal_point(cell) if part.decimal == "," else cell).cast(pl.Float64, strict=False)
        seconds = pl.when(number.is_between(0, _LAST_EXCEL_DAY, closed="left")).then((number * 86_400).round())
        return (_EXCEL_DAY_ZERO + pl.duration(seconds=seconds.cast(pl.Int64))).dt.strftime("%Y-%m-%d %H:%M:%S")
    # A leap second is not kept as one anywhere else in the audit either.
    text = pl.when(~cell.str.contains(r":60(?:\D|$)")).then(cell)
    zulu = "Z" if "%z" in time_format else ""
    at = text.str.to_datetime(time_format, time_unit="us", strict=False, time_zone="UTC" if zulu else None)
    return at.dt.strftime("%Y-%m-%d %H:%M:%S" + zulu)


def _note_unknown_codes(mapped: pl.DataFrame, table: Table, part: TableMapping, notes: MappingNotes) -> None:
    for column in table.columns:
        if column.kind is not Kind.CODE or column.name not in part.columns:
            continue
        cell = pl.col(column.name)
        if all(code.isdigit() for code in column.codes):
            # The check of the rows reads 1.0, as spreadsheets write it, as 1.
            cell = cell.str.strip_suffix(".0")
        words = mapped.filter(~cell.is_in(column.codes))[column.name].value_counts()
        notes.add_unknown_codes(table.name, column.name, words)
