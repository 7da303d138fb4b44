"""The catalogue of measures: every file of sql/measures/, read and checked together."""

import hashlib
import json
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict
from functools import lru_cache
from importlib import resources
from pathlib import Path

import duckdb

from pipeline.errors import MeasureFileError
from pipeline.measure_file import Change, Measure, name_faults, read_bare_select, read_file
from pipeline.measure_select import Fault, engine_fault, unknown_names

__all__ = [
    "Change",
    "Measure",
    "check_columns",
    "check_file",
    "check_on_store",
    "fingerprint",
    "read_measures",
    "refuse",
]

NEEDED_COLUMNS = {
    "share": ("stay_id", "ward", "month", "numerator", "denominator"),
    "rate": ("stay_id", "ward", "month", "numerator", "denominator"),
    "median": ("stay_id", "ward", "month", "value"),
}
OPTIONAL_COLUMNS = {"share": ("retainer",), "rate": ("retainer",), "median": ("censored", "retainer")}


def read_measures(folder: Path | None = None) -> tuple[Measure, ...]:
    """All measures of a folder (without one: those that come with the tool), sorted by `order`, then by id.

    Raises MeasureFileError with every fault of every file, each with its line and the nearest right name.
    """
    folder = folder or Path(str(resources.files("sql"))) / "measures"
    files = sorted(folder.glob("*.sql"))
    if not files:
        raise MeasureFileError(f"No measure in {folder}: expected files named <measure>.sql. Check the folder.")
    read = [_read_once(file, _content(file)) for file in files]
    refuse([fault for _, faults in read for fault in faults])
    measures = [measure for measure, _ in read if measure is not None]
    return tuple(sorted(measures, key=lambda measure: (measure.order, measure.id)))


@lru_cache(maxsize=1000)
def _read_once(file: Path, content: bytes | None) -> tuple[Measure | None, list[Fault]]:
    # A page asks for all measures several times, and to parse them takes longer than to read them.
    return read_file(file)


def _content(file: Path) -> bytes | None:
    try:
        return file.read_bytes()
    except OSError:
        return None


def check_columns(measure: Measure, column_names: Collection[str]) -> list[Fault]:
    """What is wrong with the columns a measure's SELECT returned; empty if nothing is."""
    return [Fault(measure.file, measure.first_line, what) for what in _column_faults(measure.kind, column_names)]


def check_on_store(measures: Iterable[Measure], connection: duckdb.DuckDBPyConnection) -> None:
    """Prepares every SELECT on the open store, without running it, and checks the columns it would return.

    Raises MeasureFileError with every fault: unknown tables or columns, missing columns, wrong types.
    """
    refuse(
        [
            fault
            for measure in measures
            for fault in _select_faults(measure.sql, measure.kind, measure.file, measure.first_line, connection)
        ]
    )


def check_file(file: Path, connection: duckdb.DuckDBPyConnection) -> Measure:
    """The measure of one file anywhere, its header and its SELECT checked together on the tables of `connection`.

    Raises MeasureFileError with every fault of both.
    """
    measure, faults = read_file(file)
    if measure is not None:
        faults = _select_faults(measure.sql, measure.kind, file, measure.first_line, connection)
    else:
        found = read_bare_select(file)
        if found is not None:
            faults += _select_faults(found.sql, found.kind, file, found.first_line, connection)
    refuse(faults, f"bandaudit try {file}")
    if measure is None:
        raise MeasureFileError(f"The file {file} cannot be read as a measure.")
    return measure


def _select_faults(
    sql: str, kind: str | None, file: Path, first_line: int, connection: duckdb.DuckDBPyConnection
) -> list[Fault]:
    """kind: null where the header does not say it; then nothing is said about columns missing."""
    try:
        described = connection.execute(f"describe {sql}").fetchall()
    except duckdb.Error as error:
        first = engine_fault(error, file, first_line, sql)
        others = [
            Fault(file, first_line + line - 1, what)
            for line, name, what in unknown_names(sql, connection)
            if not re.search(rf"\b{re.escape(name)}\b", first.what)
        ]
        return [first, *others]
    types = {name: type_name for name, type_name, *_ in described}
    faults = _column_faults(kind, types) if kind else []
    return [Fault(file, first_line, what) for what in (*faults, *_type_faults(types))]


def _column_faults(kind: str, column_names: Collection[str]) -> list[str]:
    needed = NEEDED_COLUMNS[kind]
    known = (*needed, *OPTIONAL_COLUMNS[kind])
    return [what for _, what in name_faults("column", column_names, needed, known)]


def refuse(faults: Sequence[Fault], then: str = "bandaudit measures") -> None:
    """Raises MeasureFileError naming every fault, sorted by file and line; does nothing without any.

    then: the command to run once they are corrected.
    """
    if not faults:
        return
    faults_in_words = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    files = {fault.file for fault in faults}
    files_in_words = "1 measure file" if len(files) == 1 else f"{len(files)} measure files"
    lines = "\n".join(f"  {fault.file.name}, line {fault.line}: {fault.what}" for fault in sorted(faults))
    raise MeasureFileError(
        f"{faults_in_words} in {files_in_words} of {min(files).parent}:\n{lines}\n"
        f"Nothing was measured. Correct the lines named, then run: {then}"
    )


def fingerprint(measures: Iterable[Measure]) -> str:
    """Twelve hexadecimal digits that change whenever the SQL or the header of any measure changes."""
    content = []
    for measure in sorted(measures, key=lambda measure: measure.id):
        fields = asdict(measure)
        del fields["file"], fields["first_line"]
        content.append(fields)
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()[:12]


def _type_faults(types: dict[str, str]) -> list[str]:
    number = (r".*INT|INTEGER|DOUBLE|FLOAT|DECIMAL.*", "a number")
    expected = {
        "stay_id": ("VARCHAR", "text, as in the table read"),
        "month": ("VARCHAR", "text, YYYY-MM"),
        "numerator": number,
        "denominator": number,
        "value": number,
        "censored": ("BOOLEAN", "true or false"),
    }
    return [
        f"column `{name}` must be {words}"
        for name, (pattern, words) in expected.items()
        if name in types and not re.fullmatch(pattern, types[name])
    ]
