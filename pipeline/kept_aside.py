"""Writes the rows kept aside as workbooks of the extract's own columns, to be corrected and loaded again.

A workbook keeps text as text, so that no cell is run as a formula and none has to be changed for that.
"""

from datetime import datetime
from pathlib import Path

import duckdb
import xlsxwriter

from pipeline.errors import AuditError
from pipeline.store import fact
from pipeline.vocabulary import TABLES, Table

# The loader says that it does not use them; they lead back to the row of the file.
WHERE = ("kept_file", "kept_row", "kept_column", "kept_rule")
_ROWS_A_SHEET = 1_000_000
# The same rows give the same bytes.
_CREATED = datetime(2026, 1, 1)


def write_kept_aside(connection: duckdb.DuckDBPyConnection, out: Path) -> list[Path]:
    """Writes one workbook per table with rows kept aside (more, where a sheet would be too long): the paths written.

    They go into a folder of `out` named after the latest load, and one that is there already is left as it is: it may
    have been corrected. First sheet: one row per row kept aside, its cells as they were read under the names of the
    extract, and WHERE. Rows that had more or fewer cells than their header have no columns: a second sheet has their
    text. Nothing is written where keys were hashed anew: corrected rows would have to be hashed a second time.
    Raises AuditError when a file cannot be written.
    """
    if fact(connection, "rekey_check") is not None:
        return []
    [(latest,)] = connection.execute("select max(load_no) from load_ledger").fetchall()
    folder, paths = out / f"kept-aside-after-load-{latest}", []
    for table in TABLES.values():
        rows = connection.execute(_query(table), [table.name]).fetchall()
        not_split = [row[:2] + row[4:5] for row in rows if row[4] is not None]
        split = [row[:4] + row[5:] for row in rows if row[4] is None]
        for part, first in enumerate(range(0, max(len(split), 1) if rows else 0, _ROWS_A_SHEET), start=1):
            path = folder / f"{table.name}{'' if part == 1 else f'-{part}'}.xlsx"
            if path.exists():
                continue
            sheets = {table.name: ((*WHERE, *table.column_names), split[first : first + _ROWS_A_SHEET])}
            if part == 1 and not_split:
                sheets["not split into cells"] = (("kept_file", "kept_row", "text"), not_split)
            _write(path, sheets)
            paths.append(path)
    return paths


def _query(table: Table) -> str:
    cells = ", ".join(f"cells ->> '$.{name}' as {name}" for name in table.column_names)
    return f"""
        select
            file_name,
            row_number::varchar,
            column_name,
            rule,
            cells ->> '$.text' as text,
            {cells}
        from rejected_rows
        where table_name = ?
        order by load_no, file_name, row_number
    """


def _write(path: Path, sheets: dict[str, tuple[tuple[str, ...], list[tuple[str | None, ...]]]]) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with xlsxwriter.Workbook(path, {"constant_memory": True}) as book:
            book.set_properties({"created": _CREATED})
            for name, (header, rows) in sheets.items():
                sheet = book.add_worksheet(name)
                for number, row in enumerate([header, *rows]):
                    for place, cell in enumerate(row):
                        if cell is not None:
                            sheet.write_string(number, place, cell)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise AuditError(
            f"The file {path} cannot be written (no permission, or the disk is full). Files written before it are "
            "complete. Make room or give another folder with --out."
        ) from error
