"""Finds the files that a mapping names in a folder and reads them as rows of the extract."""

import csv
import io
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from difflib import get_close_matches
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import ExtractError, listed
from pipeline.intake.mapping.declaration import ExtractMapping, TableMapping
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.mapping.rows import mapped_rows
from pipeline.intake.parquet_frames import no_single_values
from pipeline.intake.privacy import refuse_identifying_columns
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.read import ExtractFile, header, pieces
from pipeline.intake.source import Source
from pipeline.vocabulary import TABLES

_FORMS = {".parquet": "parquet", ".xlsx": "xlsx", ".gz": "csv.gz"}
_CANONICAL_FILES = [f"{{}}{month}.{form}" for month in ("", "-*") for form in ("csv", "csv.gz", "parquet", "xlsx")]


@dataclass(frozen=True)
class _Use:
    """One file as one section of the mapping uses it. columns: as they stand in the file, made distinct."""

    file: ExtractFile
    part: TableMapping
    columns: list[str]

    @property
    def needed(self) -> set[str]:
        """The columns of the file that this section reads into the table."""
        return {name for names in self.part.columns.values() for name in names}


def mapped_sources(
    folder: Path, mapping: ExtractMapping, notes: MappingNotes, elsewhere: Collection[str] = ()
) -> tuple[list[Source], list[str]]:
    """The sources that the mapping makes of the files of a folder, in table order, and the names of files not used.

    A file may serve several tables. Columns that no section uses come with the file's first source, so that they are
    searched for identifiers too, and so do its rows with too many or too few cells. notes: is filled while the pieces
    are read. elsewhere: tables that come from a database or a standard and need no file.
    Raises ExtractError when the folder or a required table's file is missing, or a file lacks a column that the
    mapping names; IdentifierError when a column of a file is an identifier by its name.
    """
    paths = files_in(folder)
    uses = [
        _use(path, part)
        for table in TABLES
        if table not in mapping.select
        for part in mapping.of(table)
        for path in paths
        if is_meant(path.name, part)
    ]
    used = {use.file.path for use in uses}
    strangers = [path.name for path in paths if path not in used]
    _refuse_missing_tables(folder, mapping, {use.part.table for use in uses} | set(elsewhere), strangers)
    for file_name, columns in {use.file.name: use.columns for use in uses}.items():
        refuse_identifying_columns(file_name, columns)
    _refuse_missing_columns(uses)
    return [_source(use, uses, notes) for use in uses], strangers


def files_in(folder: Path) -> list[Path]:
    """The files of the folder by name, hidden ones apart.

    Raises ExtractError when it cannot be read.
    """
    try:
        return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    except OSError as error:
        raise ExtractError(
            f"The folder {folder} cannot be read: {error.strerror}. Check the path and load again; nothing was stored."
        ) from error


def is_meant(file_name: str, part: TableMapping) -> bool:
    """Whether a section of the mapping takes a file of this name; capitals make no difference."""
    patterns = part.files or [pattern.format(part.table) for pattern in _CANONICAL_FILES]
    return any(fnmatchcase(file_name.lower(), pattern.lower()) for pattern in patterns)


def form_of(path: Path) -> str:
    """The form that the ending of the name says: parquet, xlsx, csv.gz, and csv for all others."""
    return _FORMS.get(path.suffix.lower(), "csv")


def _use(path: Path, part: TableMapping) -> _Use:
    file = ExtractFile(part.table, path, form_of(path), part.delimiter, part.encoding)
    columns = distinct(header(file))
    return _Use(file, with_columns_found(part, columns), columns)


def with_columns_found(part: TableMapping, columns: list[str]) -> TableMapping:
    """The same mapping with the names of the hospital's columns as they stand in the file or result at hand.

    Capitals and blanks make no difference, unless two columns differ by them only. Where the mapping lists no columns,
    those that have a canonical name are taken.
    """
    if not part.columns:
        own = [name for name in TABLES[part.table].column_names if name in columns and name not in part.fixed]
        return replace(part, columns={name: (name,) for name in own})
    plain = Counter(_plain(column) for column in columns)
    only_one = {_plain(column): column for column in columns if plain[_plain(column)] == 1}

    def found(name: str) -> str:
        return name if name in columns else only_one.get(_plain(name), name)

    return replace(
        part,
        columns={name: tuple(found(own) for own in names) for name, names in part.columns.items()},
        only={found(name): values for name, values in part.only.items()},
    )


def _plain(name: str) -> str:
    return " ".join(name.lower().split())


def distinct(columns: list[str]) -> list[str]:
    """The second column of the same name gets a number, so that frames can hold both.

    `row_number` is what frames call the number of the row, so a column of that name gets another one.
    """
    met: Counter[str] = Counter()
    names: list[str] = []
    for own in columns:
        name = "row_number (of the file)" if own == "row_number" else own
        met[name] += 1
        names.append(name if met[name] == 1 else f"{name} ({met[name]})")
    return names


def _refuse_missing_tables(folder: Path, mapping: ExtractMapping, found: Collection[str], strangers: list[str]) -> None:
    missing = [t.name for t in TABLES.values() if t.required and t.name not in {*found, *mapping.select}]
    if missing:
        patterns = "; ".join(
            f"{name}: {', '.join(part.files) or f'{name}.csv'}" for name in missing for part in mapping.of(name)
        )
        raise ExtractError(
            f"The extract {folder} has no file for: {', '.join(missing)}. The mapping looks for {patterns}. "
            f"{f'Files there that it does not name: {listed(strangers)}. ' if strangers else ''}"
            "Add the files, or correct the names under files in the mapping, and load again; nothing was stored."
        )


def _refuse_missing_columns(uses: list[_Use]) -> None:
    """Raises ExtractError naming, for every file, the columns that the mapping names and the file does not have."""
    lines = []
    for use in uses:
        table = TABLES[use.part.table]
        wanted = {own: f"{name} = " for name, names in use.part.columns.items() for own in names}
        for name in use.part.only:
            wanted.setdefault(name, "only ")
        for own, place in wanted.items():
            if own not in use.columns or f"{own} (2)" in use.columns:
                what = "more than once" if own in use.columns else "is not there"
                near = get_close_matches(own, use.columns, n=1) if own not in use.columns else []
                hint = f" (perhaps '{near[0]}')" if near else ""
                lines.append(f"{use.file.name}, [{table.name}] {place}'{own}' {what}{hint}")
        lacking = [c.name for c in table.columns if c.required and c.name not in {*use.part.columns, *use.part.fixed}]
        if lacking:
            lines.append(f"{use.file.name} lacks the required {', '.join(lacking)} of {table.name}")
    if lines:
        raise ExtractError(
            "Columns that the mapping needs are missing, or are there more than once:\n  "
            + "\n  ".join(lines)
            + "\nCorrect the names in the mapping, or the files, and load again; nothing was stored."
        )


def _source(use: _Use, uses: list[_Use], notes: MappingNotes) -> Source:
    sharing = [other for other in uses if other.file.path == use.file.path]
    is_first = sharing[0] is use
    unused = set(use.columns) - set[str]().union(*(other.needed for other in sharing)) if is_first else set()
    table = TABLES[use.part.table]
    # A column of the hospital may be called like one of the extract and hold something else.
    extra = {n: f"{n} (not mapped)" if n in table.column_names else n for n in use.columns if n in unused}
    is_shared = len({other.part.table for other in sharing}) > 1
    return Source(
        table=table.name,
        name=use.file.name,
        columns=[*use.part.columns, *use.part.fixed, *extra.values()],
        pieces=partial(_pieces, use, extra, is_shared, is_first, notes),
        fingerprint=use.file.sha256,
        units=dict(use.part.units),
    )


def _pieces(
    use: _Use, extra: dict[str, str], is_shared: bool, is_first: bool, notes: MappingNotes, ragged: list[RaggedRow]
) -> Iterator[pl.DataFrame]:
    other_lengths: list[Any] = []
    for piece in pieces(use.file, use.columns, other_lengths):
        _refuse_lost_columns(use, piece.columns)
        carried = {own: name for own, name in extra.items() if own in piece.columns}
        yield mapped_rows(piece, use.part, carried, is_shared, use.file.name, notes)
    if is_first:
        ragged += [_with_commas(row.row_number, row.text, use.file.delimiter) for row in other_lengths]


def _with_commas(row_number: int, text: str, delimiter: str) -> RaggedRow:
    """A row of another length as it stands in a file with commas, which is how its cells are searched and shown."""
    try:
        cells = next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])
    except csv.Error:
        cells = text.split(delimiter)
    written = io.StringIO(newline="")
    csv.writer(written, lineterminator="").writerow(cells)
    return RaggedRow(row_number, len(cells), written.getvalue())


def _refuse_lost_columns(use: _Use, columns: list[str]) -> None:
    lost = [name for name in use.columns if name in {*use.needed, *use.part.only} and name not in columns]
    if lost:
        raise no_single_values(use.file.name, lost)
