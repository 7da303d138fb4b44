"""Reads a folder of HL7 FHIR R4 bulk data (NDJSON, one resource a line) as tables of the extract.

| table | from |
| --- | --- |
| `stays` | `Encounter` of an inpatient class; `sex` from `Patient.gender`; `site` from the service provider |
| `wards` | `Encounter.location`, beds and rooms counted as the ward they are part of |
| `readings` | `Observation` of saturation, with the respiratory rate charted at the same time |
| `devices` | `Observation` of inhaled oxygen flow or concentration, or that names a device |
| `gases` | `Observation` of pH, pCO2, pO2 or bicarbonate |

Which type a line is says its `resourceType`, not the name of the file. An encounter that is part of an inpatient one is
no stay of its own: its locations and observations belong to the outermost encounter. The files are read once, a block
at a time; what is kept of them until it is asked for is packed, and small.
"""

import functools
import gzip
import hashlib
import io
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.errors import ExtractError
from pipeline.intake.fhir.codes import DEVICE_QUANTITIES, GAS_QUANTITIES
from pipeline.intake.fhir.lines import Lines, read_lines
from pipeline.intake.fhir.resources import KINDS
from pipeline.intake.fhir.rows import device_rows, gas_rows, measured, reading_rows
from pipeline.intake.fhir.stays import Places, Stays, stay_rows, ward_rows
from pipeline.intake.source import Source
from pipeline.vocabulary import TABLES

_ENDINGS = (".ndjson", ".ndjson.gz")
_BLOCK_BYTES = 16 * 2**20
_LONGEST_LINE_BYTES = 64 * 2**20
_PARTS_AT_A_TIME = 50_000
# Observations are put together in shares of the encounters, so that no share is too large for memory.
_BYTES_A_SHARE = 512 * 2**20
_TIMES_LARGER_UNPACKED = 12
_QUANTITIES = {
    "readings": ("spo2", "respiratory_rate"),
    "devices": (*DEVICE_QUANTITIES, "device_reference"),
    "gases": tuple(GAS_QUANTITIES),
}
_COLUMNS = {
    "stays": ["stay_id", "patient_key", "admitted_at", "discharged_at", "site", "sex"],
    "wards": ["stay_id", "ward", "entered_at"],
    "readings": ["stay_id", "taken_at", "spo2_percent", "respiratory_rate"],
    "devices": ["stay_id", "started_at", "device", "flow_l_min", "fio2_fraction", "ended_at"],
    "gases": list(TABLES["gases"].column_names),
}


def fhir_files(folder: Path) -> list[Path]:
    """The files of NDJSON in the folder, plain or gzip, by name; none where the folder cannot be looked into."""
    try:
        paths = sorted(folder.iterdir())
    except OSError:
        return []
    return [
        path
        for path in paths
        if path.is_file() and path.name.lower().endswith(_ENDINGS) and not path.name.startswith(".")
    ]


@dataclass
class _Packed:
    """Frames kept in memory until they are asked for, packed to a tenth of their size or less."""

    frames: list[bytes] = field(default_factory=list)

    def add(self, frame: pl.DataFrame) -> None:
        if frame.height:
            packed = io.BytesIO()
            frame.write_ipc(packed, compression="zstd")
            self.frames.append(packed.getvalue())

    def __iter__(self) -> Iterator[pl.DataFrame]:
        for packed in self.frames:
            yield pl.read_ipc(io.BytesIO(packed))


@dataclass
class _Folder:
    """What was read of a folder. A file is known by its place in `paths`.

    parts: by table and share of the encounters. rows: by table and file. kinds, broken: of each file the types of
    resource, and the lines that could not be read with the rule they break. unused, of_other_types, bundles: of each
    file the number of observations not used, of lines with a type of resource that is not read, and of bundles.
    """

    paths: list[Path]
    shares: int
    parts: dict[tuple[str, int], _Packed] = field(default_factory=lambda: defaultdict(_Packed))
    rows: dict[tuple[str, int], _Packed] = field(default_factory=lambda: defaultdict(_Packed))
    stays: Stays = field(default_factory=Stays)
    places: Places = field(default_factory=Places)
    kinds: dict[int, set[str]] = field(default_factory=lambda: defaultdict(set))
    broken: dict[int, list[tuple[int, str]]] = field(default_factory=lambda: defaultdict(list))
    unused: Counter[int] = field(default_factory=Counter)
    of_other_types: Counter[int] = field(default_factory=Counter)
    bundles: Counter[int] = field(default_factory=Counter)


def fhir_sources(folder: Path, tell: Callable[[str], None] = lambda _: None) -> list[Source]:
    """The tables that the NDJSON files of the folder hold, one source per table and file, in table order.

    Reads all the files. Pieces have, beside `row_number` and the columns, `rule` and `fault_column`: a rule of
    `fhir.codes.FHIR_RULES` that keeps the row aside whatever its cells say, and the column at fault; both null in a
    row without such a fault. `row_number` is the number of the line; of a row of `wards`, of which a line gives
    several, the line and three digits for the place in `Encounter.location` (or more, if there are a thousand).
    tell: gets a sentence for the user on each file with lines that were not used.
    Raises ExtractError when a file cannot be read to its end, is empty, or holds no resource.
    """
    paths = fhir_files(folder)
    read = _Folder(paths, shares=max(1, sum(map(_unpacked_size, paths)) // _BYTES_A_SHARE))
    for file in range(len(paths)):
        _read(read, file)
        for sentence in _unused(read, file):
            tell(sentence)
    _put_together(read)
    _count_broken_lines(read)
    order = list(TABLES)
    return [
        _source(table, paths[file], packed)
        for (table, file), packed in sorted(read.rows.items(), key=lambda item: (order.index(item[0][0]), item[0][1]))
        if packed.frames
    ]


def _read(read: _Folder, file: int) -> None:
    path, count = read.paths[file], 0
    for lines in _lines(path):
        _pack_parts(measured(lines.parts, file), read)
        read.stays.add(lines.encounters, file)
        read.places.add(lines.others)
        read.kinds[file] |= lines.kinds
        read.broken[file] += lines.broken
        read.unused[file] += lines.unused
        read.of_other_types[file] += lines.of_other_types
        read.bundles[file] += lines.bundles
        count += lines.count
    if count == len(read.broken[file]):
        raise ExtractError(_without_resources(path.name, count))


def _unused(read: _Folder, file: int) -> Iterator[str]:
    name, others, bundles = read.paths[file].name, read.of_other_types[file], read.bundles[file]
    if not read.kinds[file] & KINDS:
        yield f"The file {name} holds no type of FHIR resource that the audit uses."
    elif others:
        what = "holds a type" if others == 1 else "hold types"
        yield f"{_lines_in_words(others)} of the file {name} {what} of FHIR resource that the audit does not use."
    if bundles:
        yield (
            f"Bundles in the file {name}, which are not opened, so that nothing in them was read: {bundles:,}. Export "
            "bulk data, which has each resource on a line of its own, and load again."
        )
    if unused := read.unused[file]:
        words = "observation of another kind" if unused == 1 else "observations of other kinds"
        yield f"{unused:,} {words} in the file {name} {'was' if unused == 1 else 'were'} not used."


def _lines_in_words(number: int) -> str:
    return f"{number:,} line" + ("" if number == 1 else "s")


def _put_together(read: _Folder) -> None:
    """Makes rows of everything, packed by table and file."""
    read.stays.settle()
    for table in _QUANTITIES:
        for share in range(read.shares):
            if frames := list(read.parts.pop((table, share), ())):
                _pack_rows(table, _rows(table, read.stays.outermost(pl.concat(frames)), read.places), read)
    _pack_rows("stays", stay_rows(read.stays, read.places), read)
    _pack_rows("wards", ward_rows(read.stays, read.places), read)


def _rows(table: str, parts: pl.DataFrame, places: Places) -> pl.DataFrame:
    if table == "readings":
        return reading_rows(parts)
    return device_rows(parts, places.devices) if table == "devices" else gas_rows(parts)


def _pack_rows(table: str, rows: pl.DataFrame, read: _Folder) -> None:
    for (file,), frame in rows.partition_by("file", as_dict=True, include_key=False).items():
        read.rows[table, int(file)].add(frame.rename({"line": "row_number"}))  # type: ignore[call-overload]


def _count_broken_lines(read: _Folder) -> None:
    """Puts the lines that could not be read among the rows of the first table that their file has rows of."""
    for file, faults in read.broken.items():
        if not faults or not read.kinds[file] & KINDS:
            continue
        tables = [table for table in ("stays", *_QUANTITIES) if (table, file) in read.rows]
        by_kind = "readings" if "Observation" in read.kinds[file] else "stays"
        rows = pl.DataFrame(faults, schema={"row_number": pl.Int64, "rule": pl.String}, orient="row")
        read.rows[(tables or [by_kind])[0], file].add(rows)


def _unpacked_size(path: Path) -> int:
    return path.stat().st_size * (_TIMES_LARGER_UNPACKED if path.name.lower().endswith(".gz") else 1)


def _lines(path: Path) -> Iterator[Lines]:
    """What the lines of the file hold, some blocks at a time."""
    found, number, rest = Lines(), 1, b""
    try:
        with gzip.open(path) if path.name.lower().endswith(".gz") else path.open("rb") as stream:
            at_start = True
            while block := stream.read(_BLOCK_BYTES):
                if at_start:
                    _refuse_utf_16(block, path.name)
                    block, at_start = block.removeprefix(b"\xef\xbb\xbf"), False
                *lines, rest = (rest + block).split(b"\n")
                number = read_lines(lines, number, found)
                if len(rest) > _LONGEST_LINE_BYTES:
                    raise ExtractError(
                        f"The file {path.name} holds a line longer than 64 MB: line {number:,}. Expected one resource "
                        "a line. Export it again and load the whole folder; nothing was stored."
                    )
                if len(found.parts) >= _PARTS_AT_A_TIME:
                    yield found
                    found = Lines()
        read_lines([rest], number, found)
    except (OSError, EOFError, zlib.error) as error:
        what = "you may not read it" if isinstance(error, PermissionError) else "it is cut short or not gzip"
        raise ExtractError(
            f"The file {path.name} cannot be read to its end: {what}. Export it again and load the whole folder; "
            "nothing was stored."
        ) from error
    yield found


def _refuse_utf_16(block: bytes, name: str) -> None:
    if block.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in block[:4]:
        raise ExtractError(
            f"The file {name} is not text in UTF-8 (perhaps UTF-16). Save it in UTF-8 and load again; nothing was "
            "stored."
        )


def _without_resources(name: str, count: int) -> str:
    if not count:
        return f"The file {name} is empty. Export it again, or take it out of the folder; nothing was stored."
    return (
        f"Not one line of the {count:,} in the file {name} holds a FHIR resource. Expected NDJSON: each line a whole "
        "resource as JSON that begins with its resourceType. Export it again, or take it out of the folder; nothing "
        "was stored."
    )


def _pack_parts(parts: pl.DataFrame, read: _Folder) -> None:
    share = pl.col("stay").hash(seed=0) % read.shares if read.shares > 1 else pl.lit(0, dtype=pl.UInt64)
    parts = parts.with_columns(share=share.fill_null(0))
    for table, quantities in _QUANTITIES.items():
        of_table = parts.filter(pl.col("quantity").is_in(quantities))
        for (number,), frame in of_table.partition_by("share", as_dict=True, include_key=False).items():
            read.parts[table, int(number)].add(frame)  # type: ignore[call-overload]


def _source(table: str, path: Path, packed: _Packed) -> Source:
    columns = _COLUMNS[table]

    def pieces(_: object) -> Iterator[pl.DataFrame]:
        for frame in packed:
            absent = [pl.lit(None, pl.String).alias(c) for c in (*columns, "fault_column") if c not in frame.columns]
            yield frame.with_columns(absent).select("row_number", *columns, "rule", "fault_column")

    @functools.cache
    def fingerprint() -> str:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()

    return Source(table, path.name, columns, pieces, fingerprint)
