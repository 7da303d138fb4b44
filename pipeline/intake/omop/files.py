"""Finds the files of a folder of OMOP CDM 5.4 tables and reads them as text, piece by piece.

A table is one file or several, named after it in any case: `measurement.csv`, `MEASUREMENT-2026-01.csv.gz`,
`measurement.parquet`. Rows are numbered as everywhere: the header of a CSV file is row 1; Parquet has none.
"""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from glob import escape
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet

from pipeline.errors import ExtractError, listed
from pipeline.intake.csv_text import csv_header, csv_pieces
from pipeline.intake.omop.concepts import Code
from pipeline.intake.parquet_frames import holds_single_values, no_single_values, parquet_frames
from pipeline.intake.read import as_text
from pipeline.intake.source import RaggedRow

# Table: what is read of it. `a|b`: at least one of the two must be there; `?` behind a name: it may be missing.
_COLUMNS = {
    "visit_occurrence": (
        "visit_occurrence_id",
        "person_id",
        "visit_concept_id",
        "visit_start_datetime|visit_start_date",
        "visit_end_datetime|visit_end_date",
        "care_site_id?",
    ),
    "visit_detail": (
        "visit_occurrence_id",
        "visit_detail_start_datetime|visit_detail_start_date",
        "visit_detail_concept_id?",
        "care_site_id?",
    ),
    "measurement": (
        "visit_occurrence_id",
        "measurement_concept_id",
        "measurement_datetime|measurement_date",
        "measurement_time?",
        "value_as_number",
        "operator_concept_id?",
        "unit_concept_id|unit_source_value",
        "measurement_source_value?",
        "measurement_source_concept_id?",
    ),
    "device_exposure": (
        "visit_occurrence_id",
        "device_concept_id",
        "device_exposure_start_datetime|device_exposure_start_date",
        "device_exposure_end_datetime?",
        "device_exposure_end_date?",
        "device_source_value?",
        "device_source_concept_id?",
    ),
    "observation": (
        "visit_occurrence_id",
        "observation_concept_id",
        "observation_datetime|observation_date",
        "observation_source_value?",
        "observation_source_concept_id?",
    ),
    "person": ("person_id", "gender_concept_id?", "year_of_birth?"),
    "care_site": ("care_site_id", "care_site_name"),
    "concept": ("concept_id", "concept_name", "vocabulary_id", "concept_code"),
}
NEEDED_TABLES = ("visit_occurrence", "measurement")
_FILE_NAME = re.compile(rf"(?i)(?P<table>{'|'.join(_COLUMNS)})(?:-[^.]+)?\.(?P<form>csv|csv\.gz|parquet)")
# 0001-01-01 and 9999-12-31 in days since 1970-01-01.
_DAYS_OF_YEAR_1, _DAYS_OF_YEAR_9999 = -719_162, 2_932_896
# What the readers raise over a file that is not as it should be.
_DAMAGE = (pa.ArrowException, pl.exceptions.PolarsError, duckdb.Error, OSError, UnicodeError)


@dataclass(frozen=True)
class OmopFile:
    """One file: its table of the common data model, its form (csv, csv.gz, parquet) and its place in the folder."""

    table: str
    path: Path
    form: str

    @property
    def name(self) -> str:
        return self.path.name

    def sha256(self) -> str:
        """Fingerprint of the file's bytes, read from disk."""
        with self.path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()


def find_omop_files(folder: Path) -> list[OmopFile]:
    """The files of the tables that are read, by table, then by name; none where the folder cannot be looked into."""
    found = []
    try:
        paths = sorted(folder.iterdir())
    except OSError:
        return []
    for path in paths:
        match = _FILE_NAME.fullmatch(path.name)
        if match and path.is_file():
            found.append(OmopFile(match["table"].lower(), path, match["form"].lower()))
    order = list(_COLUMNS)
    return sorted(found, key=lambda file: (order.index(file.table), file.name))


def wanted_columns(table: str) -> list[str]:
    """The columns that are read of a table."""
    return [name.removesuffix("?") for entry in _COLUMNS[table] for name in entry.split("|")]


def checked_columns(file: OmopFile) -> list[str]:
    """The column names of the file in small letters, those not read (or repeated) replaced by names of their own.

    Raises ExtractError when the file cannot be read, or lacks a column or has it twice.
    """
    try:
        if file.form == "parquet":
            names = pa.parquet.ParquetFile(file.path).schema_arrow.names
        else:
            with _csv_stream(file) as stream:
                names = csv_header(stream, file.name)
    except pa.ArrowCancelled as error:
        raise KeyboardInterrupt from error
    except _DAMAGE as error:
        raise _unreadable(file, error) from error
    names = [name.strip().lower() for name in names]
    missing = [
        entry.replace("|", " (or ") + (")" if "|" in entry else "")
        for entry in _COLUMNS[file.table]
        if not entry.endswith("?") and not set(entry.split("|")) & set(names)
    ]
    if missing:
        raise ExtractError(
            f"The file {file.name} lacks {'columns' if len(missing) > 1 else 'the column'} {', '.join(missing)} of the "
            f"OMOP table {file.table}. Export the table with the column names of the common data model 5.4 and load "
            "again; nothing was stored."
        )
    wanted = wanted_columns(file.table)
    repeated = [name for name in wanted if names.count(name) > 1]
    if repeated:
        raise ExtractError(
            f"The file {file.name} has the same column name more than once: {listed(repeated)}. "
            "Keep one of each and load again; nothing was stored."
        )
    return [name if name in wanted else f"unused {place}" for place, name in enumerate(names)]


def omop_pieces(file: OmopFile, ragged: list[RaggedRow]) -> Iterator[pl.DataFrame]:
    """The rows in order: `row_number` and the columns that are read, as text without outer blanks, null where empty.

    Ids are whole numbers or text; 1001.0 is 1001. Columns that the file lacks are null throughout. Rows of a CSV file
    with the wrong number of cells are left out and noted in `ragged`. Raises ExtractError when the file is damaged.
    """
    columns, wanted = checked_columns(file), wanted_columns(file.table)
    try:
        pieces = _parquet_pieces(file, columns) if file.form == "parquet" else _csv_pieces(file, columns, ragged)
        for piece in pieces:
            yield piece.select(pl.col("row_number").cast(pl.Int64), *(_cell(piece, name) for name in wanted))
    except pa.ArrowCancelled as error:
        raise KeyboardInterrupt from error
    except _DAMAGE as error:
        raise _unreadable(file, error) from error


def _cell(piece: pl.DataFrame, name: str) -> pl.Expr:
    if name not in piece.columns:
        return pl.lit(None, dtype=pl.String).alias(name)
    kind = piece.schema[name]
    text = (_date_as_text(name) if kind == pl.Date else as_text(name, kind)).str.strip_chars()
    if name.endswith("_id"):
        text = text.str.strip_suffix(".0")
    return pl.when(text != "").then(text).alias(name)


def _date_as_text(name: str) -> pl.Expr:
    """A date beyond the years 1 to 9999, which cannot be written as one, as its number of days since 1970."""
    days = pl.col(name).cast(pl.Int32)
    is_usual = days.is_between(_DAYS_OF_YEAR_1, _DAYS_OF_YEAR_9999)
    return pl.when(is_usual).then(pl.when(is_usual).then(name).cast(pl.String)).otherwise(days.cast(pl.String))


def _csv_stream(file: OmopFile) -> pa.NativeFile:
    return pa.input_stream(str(file.path), compression="gzip" if file.form == "csv.gz" else None)


def _csv_pieces(file: OmopFile, columns: list[str], ragged: list[RaggedRow]) -> Iterator[pl.DataFrame]:
    with _csv_stream(file) as stream:
        yield from csv_pieces(stream, file.name, columns, ragged)


def _parquet_pieces(file: OmopFile, columns: list[str]) -> Iterator[pl.DataFrame]:
    whole = pa.parquet.ParquetFile(file.path)
    schema = whole.schema_arrow
    used = {schema.names[place]: name for place, name in enumerate(columns) if not name.startswith("unused ")}
    odd = [name for own, name in used.items() if not holds_single_values(schema.field(own).type)]
    if odd:
        raise no_single_values(file.name, odd)

    def chosen(batch: pa.RecordBatch) -> dict[str, pa.Array]:
        return {name: batch.column(own) for own, name in used.items()}

    yield from parquet_frames(whole, chosen, list(used))


def listed_codes(file: OmopFile, ids: list[str], codes: list[Code]) -> dict[str, Code]:
    """What a `concept` file says of these concept ids, and of every id that stands for one of these codes.

    The file may be as the vocabulary download has it: separated by tabs, without quotation marks.
    Raises ExtractError when it cannot be read.
    """
    rows = _concept_rows(
        file,
        "vocabulary_id, concept_code",
        "concept_id::varchar in (select unnest($ids::varchar[])) or "
        "(vocabulary_id, concept_code) in (select unnest($vocabularies::varchar[]), unnest($codes::varchar[]))",
        {"ids": ids, "vocabularies": [code.vocabulary for code in codes], "codes": [code.code for code in codes]},
    )
    return {concept_id: Code(vocabulary or "", code or "") for concept_id, vocabulary, code in rows}


def concept_names(file: OmopFile, ids: list[str]) -> dict[str, str]:
    """The names a `concept` file has for these concept ids. Raises ExtractError when it cannot be read."""
    condition = "concept_id::varchar in (select unnest($ids::varchar[])) and concept_name is not null"
    return {row[0]: row[1] for row in _concept_rows(file, "concept_name", condition, {"ids": ids})}


def memory_database() -> duckdb.DuckDBPyConnection:
    """A database of its own in memory, which fetches nothing from a network."""
    connection = duckdb.connect()
    connection.execute("set autoinstall_known_extensions = false; set autoload_known_extensions = false")
    return connection


def _concept_rows(file: OmopFile, columns: str, condition: str, values: dict[str, list[str]]) -> list[tuple[str, ...]]:
    try:
        query = f"select concept_id::varchar, {columns} from {_concept_source(file)} where {condition}"
        with memory_database() as connection:
            return connection.execute(query, {"path": escape(str(file.path)), **values}).fetchall()
    except _DAMAGE as error:
        raise _unreadable(file, error) from error


def _concept_source(file: OmopFile) -> str:
    if file.form == "parquet":
        checked_columns(file)
        return "read_parquet($path)"
    with _csv_stream(file) as stream:
        has_tabs = b"\t" in stream.read(2**12).partition(b"\n")[0]
    if not has_tabs:
        checked_columns(file)
    delimiter, quote = ("\t", "") if has_tabs else (",", '"')
    compression = "gzip" if file.form == "csv.gz" else "none"
    return (
        f"read_csv($path, delim = '{delimiter}', quote = '{quote}', escape = '{quote}', header = true, "
        f"all_varchar = true, strict_mode = false, compression = '{compression}')"
    )


def _unreadable(file: OmopFile, error: Exception) -> ExtractError:
    what = (
        "you may not read it"
        if isinstance(error, PermissionError)
        else "it is cut short, damaged or not what its name says"
    )
    return ExtractError(
        f"The file {file.name} cannot be read to its end: {what}. Export it again and load the whole extract; "
        "nothing was stored."
    )
