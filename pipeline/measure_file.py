"""One measure file: what it has to hold, and everything that can be wrong with it."""

import re
import tomllib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.measure_select import Fault, is_one_select, nearest, read_select
from pipeline.vocabulary import TABLES

KINDS = ("share", "rate", "median")
BETTER = ("higher", "lower", "neither")
# What a share counts. Events are counted one by one (Wilson's interval); time and readings cluster in patients
# (bootstrap over patients).
OF = ("time", "readings", "events")
# Where in the report a measure stands.
PARTS = ("other", "band", "episodes", "pathway", "valves", "gases", "excess")
TEXT_KEYS = (
    "title",
    "question",
    "kind",
    "unit",
    "better",
    "numerator",
    "denominator",
    "excludes",
    "standard",
    "source",
    "caution",
)
REQUIRED_KEYS = (*TEXT_KEYS, "version", "changes")
HEADER_KEYS = (*REQUIRED_KEYS, "needs", "of", "order", "part")
CHANGE_KEYS = ("version", "date", "what")
MAY_BE_EMPTY = ("standard",)
LAST_IN_ORDER = 1000


class Change(NamedTuple):
    """One change of meaning: the `version` it made, from which `date`, and what became different."""

    version: int
    date: date
    what: str


@dataclass(frozen=True)
class Measure:
    """One measure: the words of its header, shown as "about this figure", and its SELECT.

    share: 100 x numerator / denominator, in %. rate: 100 x events / patient-days. median: the median of one
    value an event; there `numerator` says what the value is and `denominator` which events count. `sql` has no
    header and no semicolon; it begins on line `first_line` of `file`. `order` is the place in the report. `of` says
    what a share counts: time, readings or events; its interval follows from it. `needs`: tables of the extract that
    may be missing and without which the figure would mislead. `part`: the part of the report it stands in.
    """

    id: str
    title: str
    question: str
    kind: str
    unit: str
    better: str
    numerator: str
    denominator: str
    excludes: str
    standard: str
    source: str
    caution: str
    version: int
    changes: tuple[Change, ...]
    of: str
    needs: tuple[str, ...]
    order: int
    part: str
    sql: str
    file: Path
    first_line: int


class Parts(NamedTuple):
    """The parts of a measure file: the TOML and the SQL, each with its first line in the file."""

    header: str
    header_line: int
    body: str
    first_line: int


def read_parts(file: Path) -> Parts | str:
    """The parts of a measure file, or what is wrong with the file as a whole."""
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return "cannot be read as UTF-8 text"
    block = re.match(r"\s*/\*(.*?)\*/", text, re.DOTALL)
    if block is None:
        return "no header: expected the file to open with /* TOML */"
    body = text[block.end() :].strip()
    first_line = 1 + text.count("\n", 0, text.index(body, block.end()))
    return Parts(block[1], 1 + text.count("\n", 0, block.start(1)), body, first_line)


def read_file(file: Path) -> tuple[Measure | None, list[Fault]]:
    """The measure of one file, or none and every fault of the file."""

    def fault(line: int, what: str) -> Fault:
        return Fault(file, line, what)

    faults = [fault(1, what) for what in name_of_file_faults(file.stem)]
    parts = read_parts(file)
    if isinstance(parts, str):
        return None, [*faults, fault(1, parts)]
    sql, sql_faults = read_select(parts.body)
    try:
        header = tomllib.loads(parts.header)
    except tomllib.TOMLDecodeError as error:
        line, what = _toml_fault(error, parts.header)
        faults.append(fault(parts.header_line + line - 1, what))
        header = {}
    else:
        found = _header_faults(header)
        faults += [fault(_line_of(key, parts.header, parts.header_line), what) for key, what in found]
    faults += [fault(parts.first_line + line - 1, what) for line, what in sql_faults]
    if faults:
        return None, faults
    words = {key: " ".join(header[key].split()) for key in TEXT_KEYS}
    measure = Measure(
        id=file.stem,
        **words,
        version=header["version"],
        changes=tuple(Change(**change) for change in header["changes"]),
        of=header.get("of", OF[0]),
        needs=tuple(header.get("needs", ())),
        order=header.get("order", LAST_IN_ORDER),
        part=header.get("part", PARTS[0]),
        sql=sql,
        file=file,
        first_line=parts.first_line,
    )
    return measure, []


class BareSelect(NamedTuple):
    """The SELECT of a file whose header may be wrong; `kind` is null where the header does not say it rightly."""

    sql: str
    first_line: int
    kind: str | None


def read_bare_select(file: Path) -> BareSelect | None:
    """The SELECT of a file, whatever is wrong with its header; null when it is no SELECT that an engine can parse."""
    parts = read_parts(file)
    if isinstance(parts, str):
        return None
    sql, _ = read_select(parts.body)
    if not is_one_select(parts.body):
        return None
    try:
        kind = tomllib.loads(parts.header).get("kind")
    except tomllib.TOMLDecodeError:
        kind = None
    return BareSelect(sql, parts.first_line, kind if kind in KINDS else None)


def name_of_file_faults(name: str) -> list[str]:
    """What is wrong with the name of a measure; empty if nothing is."""
    tables = {Path(entry.name).stem for entry in (resources.files("sql") / "tables").iterdir()}
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
        return ["the file's name is the measure's name: expected small letters, digits and _ only"]
    if name in tables | {"stay_band_time"}:
        return ["a table has this name, and both would be exported to one file: choose another"]
    return []


def _header_faults(header: dict[str, Any]) -> list[tuple[str, str]]:
    """Pairs of the key (empty: the header as a whole) and what is wrong with it."""
    faults = name_faults("key", header, REQUIRED_KEYS, HEADER_KEYS)
    for key in TEXT_KEYS:
        value = header.get(key, "-")
        if not isinstance(value, str):
            faults.append((key, f"`{key}` must be text in quotes"))
        elif not value.strip() and key not in MAY_BE_EMPTY:
            faults.append((key, f"`{key}` is empty: say it in words"))
    for key, allowed in (("kind", KINDS), ("better", BETTER), ("of", OF), ("part", PARTS)):
        value = header.get(key, allowed[0])
        if key in TEXT_KEYS and not (isinstance(value, str) and value.strip()):
            continue
        if value not in allowed:
            near = nearest(str(value), allowed)
            hint = f"; did you mean `{near}`?" if near else ""
            faults.append((key, f"`{key}` is not one of {', '.join(allowed)}{hint}"))
    return faults + _needs_faults(header) + _unit_faults(header) + _version_faults(header)


def _needs_faults(header: dict[str, Any]) -> list[tuple[str, str]]:
    needs = header.get("needs", [])
    optional = [table.name for table in TABLES.values() if not table.required]
    if not isinstance(needs, list) or not all(name in optional for name in needs):
        return [("needs", f"`needs` must be a list of tables that may be missing: {', '.join(optional)}")]
    return []


def _unit_faults(header: dict[str, Any]) -> list[tuple[str, str]]:
    kind, unit = header.get("kind"), header.get("unit")
    if kind == "share" and isinstance(unit, str) and unit != "%":
        return [("unit", '`unit` of a share is "%": the tool shows 100 x numerator / denominator')]
    if kind == "rate" and isinstance(unit, str) and not unit.endswith("per 100 patient-days"):
        return [("unit", '`unit` of a rate ends in "per 100 patient-days", and the denominator is in days')]
    return []


def _version_faults(header: dict[str, Any]) -> list[tuple[str, str]]:
    faults: list[tuple[str, str]] = []
    for key in ("version", "order"):
        if key in header and (type(header[key]) is not int or header[key] < 1):
            faults.append((key, f"`{key}` must be a whole number from 1"))
    changes = header.get("changes", [])
    if not isinstance(changes, list) or not all(_is_change(change) for change in changes):
        faults.append(("changes", '`changes` must be a list of {version = 2, date = 2026-03-01, what = "..."}'))
    elif not faults and "version" in header and "changes" in header:
        described = [change["version"] for change in changes]
        if sorted(described) != list(range(2, header["version"] + 1)):
            faults.append(("changes", "`changes` must describe every version after the first, once"))
    return faults


def _is_change(change: object) -> bool:
    return (
        isinstance(change, dict)
        and set(change) == set(CHANGE_KEYS)
        and type(change["version"]) is int
        and type(change["date"]) is date
        and isinstance(change["what"], str)
    )


def name_faults(
    thing: str, names: Collection[str], needed: Sequence[str], known: Sequence[str]
) -> list[tuple[str, str]]:
    """Pairs of a name (empty: none of them) and what is wrong with it, for unknown and missing names.

    A needed name that was only misspelt is not called missing as well.
    """
    missing = [name for name in needed if name not in names]
    faults, meant = [], set()
    for name in names:
        if name in known:
            continue
        near = nearest(name, missing) or nearest(name, known)
        meant.add(near)
        hint = f"did you mean `{near}`?" if near else f"expected: {', '.join(known)}"
        faults.append((name, f"unknown {thing} `{name}`; {hint}"))
    absent = [f"`{name}`" for name in missing if name not in meant]
    if absent:
        faults.append(("", f"missing {thing}{'s' if len(absent) > 1 else ''} {', '.join(absent)}"))
    return faults


def _toml_fault(error: tomllib.TOMLDecodeError, header: str) -> tuple[int, str]:
    what, _, place = str(error).partition(" (at ")
    line = re.match(r"line (\d+)", place)
    return (int(line[1]) if line else 1 + header.count("\n")), f"the header is not valid TOML: {what}"


def _line_of(key: str, header: str, header_line: int) -> int:
    place = re.search(rf"^\s*\[*\s*{re.escape(key)}\b", header, re.MULTILINE) if key else None
    return header_line + (header.count("\n", 0, place.end()) if place else 0)
