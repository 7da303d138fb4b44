"""OMOP CDM 5.4 tables as a way in: a folder of them becomes rows of the extract.

| table of the common data model | becomes |
| --- | --- |
| `visit_occurrence` (inpatient, emergency), `person`, `care_site` | `stays` |
| `visit_detail`, `care_site` | `wards` |
| `measurement`: saturation by pulse oximetry, respiratory rate | `readings` |
| `measurement`: pH, pCO2, pO2, bicarbonate, inspired oxygen | `gases` |
| `device_exposure`; `measurement`: oxygen flow and concentration at its start | `devices` |
| `observation`: risks, end-of-life care | `flags` |

Prescribed targets, and flags that end, cannot be said in these tables: they come from files of the extract beside them.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache, partial
from hashlib import sha256
from pathlib import Path

import polars as pl

from pipeline.errors import ExtractError
from pipeline.intake.omop.account import tell_of_unused_rows
from pipeline.intake.omop.files import NEEDED_TABLES, OmopFile, checked_columns, find_omop_files
from pipeline.intake.omop.gathering import gather
from pipeline.intake.omop.staging import Staged, stage_omop
from pipeline.intake.source import RaggedRow, Source
from pipeline.memory import shares

_PIECE_ROWS = 250_000
_TEXT_NOT_KEPT = "(not kept: see this row in the file)"
# For each table of the common data model: the tables of the extract it becomes, each with its columns and the other
# tables it draws on. The first one answers for rows that have another length than the header.
_SOURCES: dict[str, dict[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "visit_occurrence": {
        "stays": (
            ("stay_id", "patient_key", "admitted_at", "discharged_at", "site", "age_band", "sex"),
            ("person", "care_site"),
        ),
    },
    "visit_detail": {"wards": (("stay_id", "ward", "entered_at"), ("care_site", "concept"))},
    "measurement": {
        "readings": (("stay_id", "taken_at", "spo2_percent", "respiratory_rate"), ("concept",)),
        "gases": (
            (
                "stay_id",
                "taken_at",
                "sample_type",
                "ph",
                "pco2_kpa",
                "po2_kpa",
                "bicarbonate_mmol_l",
                "fio2_fraction",
            ),
            ("concept",),
        ),
    },
    "device_exposure": {
        "devices": (
            ("stay_id", "started_at", "device", "flow_l_min", "fio2_fraction", "ended_at"),
            ("measurement", "concept"),
        ),
    },
    "observation": {"flags": (("stay_id", "flagged_at", "flag"), ("concept",))},
}


def is_omop_folder(folder: Path) -> bool:
    """Whether the folder holds a file of the OMOP table `visit_occurrence`."""
    return any(file.table == "visit_occurrence" for file in find_omop_files(folder))


def omop_sources(folder: Path, tell: Callable[[str], None] = lambda _: None) -> list[Source]:
    """One source per file and table of the extract it becomes.

    The files are read once, all of them, when the first piece of any source is asked for. Pieces hold `row_number` (of
    the first row of the file that a row was made of), the columns as text, and `rule` and `fault_column` where a row
    cannot be used for a reason that its cells do not show (null in the others): `unknown_unit`, `not_a_number` (only a
    bound is given) and `conflicting_repeat` (several values of one quantity at one instant).
    tell: gets a sentence for the user on each table with rows that were not used.
    Raises ExtractError, also out of `pieces`, when a needed table is missing or a file is not as it should be.
    """
    files = find_omop_files(folder)
    missing = [table for table in NEEDED_TABLES if table not in {file.table for file in files}]
    if missing:
        raise ExtractError(
            f"The folder {folder} has no file for the OMOP table {' or '.join(missing)}. Expected a file such as "
            f"{missing[0]}.csv, {missing[0]}.csv.gz or {missing[0]}.parquet. Export it as well and load again; nothing "
            "was stored."
        )
    for file in files:
        if file.table != "concept":
            checked_columns(file)

    @cache
    def staged() -> Staged:
        rows = stage_omop(files, tell)
        of_other_visits = gather(rows.connection)
        tell_of_unused_rows(rows.connection, rows.rows_read, of_other_visits, tell)
        for file in files:
            if file.table not in _SOURCES and rows.ragged[file.name]:
                number = len(rows.ragged[file.name])
                tell(f"{file.name}: rows with more or fewer cells than the header, which were not used: {number:,}.")
        return rows

    digests = cache(OmopFile.sha256)
    return [
        Source(
            table=table,
            name=file.name,
            columns=list(columns),
            pieces=partial(_pieces, staged, number, file, table, columns),
            fingerprint=partial(_fingerprint, digests, [file] + [other for other in files if other.table in drawn_on]),
        )
        for number, file in enumerate(files)
        for table, (columns, drawn_on) in _SOURCES.get(file.table, {}).items()
    ]


def _pieces(
    staged: Callable[[], Staged],
    number: int,
    file: OmopFile,
    table: str,
    columns: tuple[str, ...],
    ragged: list[RaggedRow],
) -> Iterator[pl.DataFrame]:
    rows = staged()
    if table == next(iter(_SOURCES[file.table])):
        # Their text may hold columns that are never read, such as notes.
        ragged.extend(replace(row, text=_TEXT_NOT_KEPT) for row in rows.ragged[file.name])
    names = ", ".join(("row_number", *columns, "rule", "fault_column"))
    # A cursor of its own: several sources may be read in turns.
    query = f"select {names} from {table} where file_number = {number} order by row_number"
    for batch in rows.connection.cursor().sql(query).to_arrow_reader(min(_PIECE_ROWS, shares().rows_in_a_piece)):
        yield pl.DataFrame(pl.from_arrow(batch))


def _fingerprint(digest: Callable[[OmopFile], str], files: list[OmopFile]) -> str:
    """SHA-256 of the file, or of the SHA-256 of all the files that its rows are made of."""
    digests = [digest(file) for file in files]
    return digests[0] if len(digests) == 1 else sha256(" ".join(digests).encode()).hexdigest()
