"""Opens an extract by whichever way it comes in, as one list of sources.

| what is given | way |
| --- | --- |
| a folder with files of the canonical names | `read.py` |
| a mapping, with a folder, a database or both | `mapping/` |
| a folder of HL7 FHIR R4 bulk data (NDJSON) | `fhir/`; canonical or mapped files beside it |
| a folder of OMOP tables | `omop/`; canonical or mapped files beside it |
"""

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from pipeline.errors import ExtractError, listed
from pipeline.intake.fhir.folder import fhir_files, fhir_sources
from pipeline.intake.mapping.database import database_sources
from pipeline.intake.mapping.declaration import ExtractMapping
from pipeline.intake.mapping.files import mapped_sources
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.omop.files import find_omop_files
from pipeline.intake.omop.folder import is_omop_folder, omop_sources
from pipeline.intake.read import ExtractFile, about_rows, find_files, header, pieces
from pipeline.intake.source import Source
from pipeline.vocabulary import TABLES


@dataclass(frozen=True)
class Opened:
    """What a load reads: its sources in table order, the names of files that are not read, and what is to be told.

    told: sentences on rows that a standard's tables hold and the audit does not use; filled while the pieces are read.
    notes: what a mapping met; filled while the pieces are read.
    """

    sources: list[Source]
    strangers: list[str]
    notes: MappingNotes
    told: list[str] = field(default_factory=list)

    def sentences(self, with_words: bool = True) -> list[str]:
        """Everything that was met while the pieces were read and is no row kept aside; unknown codes by name or not."""
        return [*self.told, *self.notes.unknown_code_lines(with_words), *self.notes.left_out_lines()]


@contextmanager
def opened_extract(
    folder: Path | None,
    mapping: ExtractMapping | None = None,
    database: str | None = None,
    tell: Callable[[str], None] = lambda _: None,
    in_part: bool = False,
) -> Iterator[Opened]:
    """The sources of a load; they can be read until the block ends.

    folder, database (a URL without password): at least one of them; a database needs a mapping. in_part: any table may
    be missing.
    Raises ExtractError when nothing is given to read, or a table that every extract needs is missing.
    """
    if database is not None and (mapping is None or not mapping.select):
        raise ExtractError(
            "--database needs a mapping with a SELECT for each table. Give it with --mapping FILE, and write the "
            "SELECTs under [database.select]; nothing was stored."
        )
    if mapping is not None and mapping.select and database is None:
        raise ExtractError(
            "The mapping reads from a database (it has [database.select]), but none was named. Add --database URL "
            "and load again; nothing was stored."
        )
    if folder is None and database is None:
        raise ExtractError(
            "There is nothing to load. Name the folder of the extract, or a database with --database URL and "
            "--mapping FILE; nothing was stored."
        )
    notes, told = MappingNotes(), list[str]()
    of_standards, claimed = ([], []) if folder is None else _of_standards(folder, told, tell)
    select: Collection[str] = [] if mapping is None else mapping.select
    elsewhere = {source.table for source in of_standards} | set(select)
    # What is missing beside files of a standard is told in its own words, below.
    not_missed = TABLES if claimed or in_part else elsewhere
    sources, strangers = of_standards, list[str]()
    if folder is None:
        _refuse_missing_tables(TABLES if in_part else elsewhere)
    elif mapping is None:
        files, strangers = find_files(folder, claimed, not_missed)
        sources = sources + [_of_file(file) for file in files]
    else:
        mapped, strangers = mapped_sources(folder, mapping, notes, not_missed)
        sources, strangers = sources + mapped, [name for name in strangers if name not in claimed]
    if claimed and not in_part:
        _refuse_missing_beside_standard({source.table for source in sources} | set(select), strangers)
    opening = (
        nullcontext(list[Source]())
        if database is None or mapping is None
        else database_sources(database, mapping, notes)
    )
    order = list(TABLES)
    with opening as of_database:
        in_order = sorted(sources + of_database, key=lambda source: order.index(source.table))
        yield Opened(in_order, strangers, notes, told)


def _of_standards(folder: Path, told: list[str], tell: Callable[[str], None]) -> tuple[list[Source], list[str]]:
    """The sources that FHIR and OMOP files of the folder make, and the names of these files."""
    sources, claimed = list[Source](), list[str]()
    if fhir := fhir_files(folder):
        tell("reading FHIR resources")
        sources += fhir_sources(folder, told.append)
        claimed += [path.name for path in fhir]
    if is_omop_folder(folder):
        tell("reading OMOP tables")
        sources += omop_sources(folder, told.append)
        claimed += [file.name for file in find_omop_files(folder)]
    return sources, claimed


def _refuse_missing_tables(found: Collection[str]) -> None:
    missing = [table.name for table in TABLES.values() if table.required and table.name not in found]
    if missing:
        raise ExtractError(
            f"The mapping has no SELECT for: {', '.join(missing)}. Add it under [database.select], or name the folder "
            "with the files as well, and load again; nothing was stored."
        )


def _refuse_missing_beside_standard(found: Collection[str], strangers: list[str]) -> None:
    missing = [table for table in TABLES.values() if table.required and table.name not in found]
    if not missing:
        return
    tables = "; ".join(f"{table.name} ({', '.join(c.name for c in table.columns if c.required)})" for table in missing)
    unsaid = "FHIR and OMOP have no place for prescribed targets. " if "targets" not in found else ""
    seen = f"Files not recognised there: {listed(strangers)}. " if strangers else ""
    first = missing[0].name
    raise ExtractError(
        f"The FHIR or OMOP files of the extract hold no row of: {', '.join(table.name for table in missing)}. {unsaid}"
        f"{seen}Put a file of each beside them, such as {first}.csv, with the columns of {tables}; stay_id is the "
        "id of the FHIR Encounter or the visit_occurrence_id; or name the hospital's own file in a mapping. Then load "
        "again; nothing was stored."
    )


def _of_file(file: ExtractFile) -> Source:
    columns = header(file)
    read = partial(pieces, file, columns)
    return Source(file.table, file.name, columns, read, file.sha256, about_rows=about_rows(file))
