"""An invented hospital's own export, the mapping for it as text, and what reading it gives."""

from pathlib import Path

import polars as pl

from pipeline.intake.mapping.declaration import ExtractMapping, read_mapping
from pipeline.intake.mapping.files import mapped_sources
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.source import Source

# Tables that a test is not about, in the canonical form.
OTHERS = {
    "stays.csv": "stay_id,patient_key,admitted_at\nST-0001,PK-0001,2026-01-05 08:00\n",
    "readings.csv": "stay_id,taken_at,spo2_percent\nST-0001,2026-01-05 10:00,91\n",
    "targets.csv": "stay_id,prescribed_at,lower_percent,upper_percent\nST-0001,2026-01-05 08:30,88,92\n",
}


def mapping_of(folder: Path, text: str) -> ExtractMapping:
    """The mapping that a file with this text holds."""
    path = folder / "mapping.toml"
    path.write_text(text, encoding="utf-8")
    return read_mapping(path)


def write(folder: Path, **files: str | bytes) -> Path:
    """Writes files (two underscores stand for the point) and the canonical ones of the tables not named among them."""
    folder.mkdir(exist_ok=True)
    for name, content in files.items():
        data = content if isinstance(content, bytes) else content.encode()
        (folder / name.replace("__", ".")).write_bytes(data)
    return folder


def with_others(folder: Path, *but: str) -> Path:
    """Adds the canonical files of the required tables, apart from those named."""
    for name, text in OTHERS.items():
        if name.removesuffix(".csv") not in but:
            (folder / name).write_text(text)
    return folder


def sources(folder: Path, text: str, notes: MappingNotes | None = None) -> list[Source]:
    """The sources of a folder under a mapping given as text."""
    return mapped_sources(folder, mapping_of(folder.parent, text), notes or MappingNotes())[0]


def rows_of(source: Source, ragged: list[RaggedRow] | None = None) -> pl.DataFrame:
    """All pieces of a source as one frame."""
    pieces = list(source.pieces([] if ragged is None else ragged))
    assert all(piece.columns == ["row_number", *source.columns] for piece in pieces)
    assert all(kind == pl.String for piece in pieces for kind in piece.drop("row_number").dtypes)
    nothing = pl.DataFrame(schema={"row_number": pl.Int64, **dict.fromkeys(source.columns, pl.String)})
    return pl.concat([nothing, *(piece.cast({"row_number": pl.Int64}) for piece in pieces)])


def mapped(
    folder: Path, text: str, table: str = "readings", notes: MappingNotes | None = None
) -> list[dict[str, object]]:
    """The rows of one table, made by one source, without their numbers."""
    [source] = [source for source in sources(folder, text, notes) if source.table == table]
    return rows_of(source).drop("row_number").to_dicts()
