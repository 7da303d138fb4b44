"""Looks into the files of a hospital's export: how each is written, its columns and its first rows."""

import codecs
import csv
import gzip
import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

import polars as pl

from pipeline.errors import ExtractError
from pipeline.intake.mapping.files import distinct, files_in, form_of
from pipeline.intake.read import ExtractFile, as_text, header, pieces

_ROWS_LOOKED_AT = 20_000
_BYTES_LOOKED_AT = 2**20
_DELIMITERS = (",", ";", "\t", "|")
_ENDINGS = (".csv", ".csv.gz", ".tsv", ".txt", ".parquet", ".xlsx")


@dataclass(frozen=True)
class Look:
    """Files with the same columns, and what was seen in them.

    names: the files. patterns: names for `files` in the mapping that take these and no other file of the folder.
    columns: as in the header. cells: one row per row looked at, all cells text, null where empty.
    """

    names: list[str]
    patterns: list[str]
    delimiter: str
    encoding: str
    columns: list[str]
    cells: pl.DataFrame


def look_into(folder: Path) -> tuple[list[Look], dict[str, str]]:
    """What the files of a folder hold, those with the same columns together, and why the others could not be read.

    Raises ExtractError when there is no such folder.
    """
    paths = files_in(folder)
    alike: dict[tuple[str, ...], list[tuple[str, pl.DataFrame]]] = {}
    unread: dict[str, str] = {}
    for path in paths:
        if not path.name.lower().endswith(_ENDINGS):
            unread[path.name] = f"it is none of the kinds that can be read ({', '.join(_ENDINGS)})"
            continue
        try:
            delimiter, encoding = ",", "utf-8"
            if form_of(path) in ("csv", "csv.gz"):
                delimiter, encoding = _writing(path)
            columns, cells = _first_rows(ExtractFile("readings", path, form_of(path), delimiter, encoding))
        except (ExtractError, OSError, EOFError):
            unread[path.name] = "it is empty, cut short or damaged, or not what its name says"
            continue
        alike.setdefault((delimiter, encoding, *columns), []).append((path.name, cells))
    looks = []
    for (delimiter, encoding, *columns), files in alike.items():
        names = [name for name, _ in files]
        others = [path.name for path in paths if path.name not in names]
        cells = pl.concat([cells for _, cells in files]).head(_ROWS_LOOKED_AT)
        looks.append(Look(names, _patterns(names, others), delimiter, encoding, columns, cells))
    return looks, unread


def _writing(path: Path) -> tuple[str, str]:
    """The delimiter and the encoding that a CSV file seems to have."""
    with gzip.open(path) if path.suffix.lower() == ".gz" else path.open("rb") as stream:
        start = stream.read(_BYTES_LOOKED_AT)
    encoding = _encoding(start)
    text = codecs.getincrementaldecoder(encoding)(errors="replace").decode(start)
    line = next((line for line in text.splitlines() if line.strip()), "")
    return max(_DELIMITERS, key=lambda sign: len(next(csv.reader([line], delimiter=sign), []))), encoding


def _encoding(start: bytes) -> str:
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if b"\x00" in start:
        return "utf-16-le" if start[1:2] == b"\x00" else "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        # The usual one of exports; it differs from Latin-1 in signs that no column of the audit needs.
        return "cp1252"
    return "utf-8"


def _first_rows(file: ExtractFile) -> tuple[list[str], pl.DataFrame]:
    columns = distinct(header(file))
    piece = next(iter(pieces(file, columns, [])), None)
    if piece is None:
        return columns, pl.DataFrame(schema=dict.fromkeys(columns, pl.String))
    texts = [
        as_text(name, piece.schema[name]).str.strip_chars().alias(name)
        if name in piece.columns
        else pl.lit(None, dtype=pl.String).alias(name)
        for name in columns
    ]
    return columns, piece.head(_ROWS_LOOKED_AT).select(texts).with_columns(
        pl.when(pl.all() != "").then(pl.all()).name.keep()
    )


def _patterns(names: list[str], others: list[str]) -> list[str]:
    """Patterns with a star for the digits (dates, running numbers), where these take no other file."""
    patterns = list(dict.fromkeys(re.sub(r"\d[\d_-]*", "*", name) for name in names))
    takes_others = any(fnmatchcase(other.lower(), pattern.lower()) for pattern in patterns for other in others)
    return names if takes_others else patterns
