"""One measure file: what it has to hold, and everything that can be wrong with it."""

import difflib
import re
import tomllib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import duckdb

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

# Words only one engine knows, with what to write instead: the same text has to run on another engine.
SPECIALITIES = {
    r"\basof\b": "asof join; join on started_at <= instant and instant < ended_at",
    r"\b(?:quantile|median)\w*\s*\(": "a quantile function; return one value an event instead",
    r"\b(?:arg_max|arg_min|max_by|min_by)\s*\(": "arg_max and its kin; use row_number() over (...)",
    r"\b(?:date_?diff|epoch\w*|to_seconds|strftime|date_trunc)\s*\(": (
        "arithmetic on times; sum the column `seconds`, take the column `month`"
    ),
    r"\bqualify\b": "qualify; filter in a WITH step of its own",
    r"\b(?:group|order)\s+by\s+all\b": "by all; name the columns",
    r"\b(?:semi|anti|positional)\s+join\b": "this kind of join; use exists (...) or not exists (...)",
    r"::": "`::`; write cast(... as ...)",
}


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


class Fault(NamedTuple):
    """One thing wrong in one file."""

    file: Path
    line: int
    what: str


def read_file(file: Path) -> tuple[Measure | None, list[Fault]]:
    """The measure of one file, or none and every fault of the file."""

    def fault(line: int, what: str) -> Fault:
        return Fault(file, line, what)

    faults = [fault(1, what) for what in _name_of_file_faults(file.stem)]
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return None, [*faults, fault(1, "cannot be read as UTF-8 text")]
    block = re.match(r"\s*/\*(.*?)\*/", text, re.DOTALL)
    if block is None:
        return None, [*faults, fault(1, "no header: expected the file to open with /* TOML */")]

    header_line = 1 + text.count("\n", 0, block.start(1))
    body = text[block.end() :].strip()
    first_line = 1 + text.count("\n", 0, text.index(body, block.end()))
    sql, sql_faults = _read_select(body)
    try:
        header = tomllib.loads(block[1])
    except tomllib.TOMLDecodeError as error:
        line, what = _toml_fault(error, block[1])
        faults.append(fault(header_line + line - 1, what))
        header = {}
    else:
        faults += [fault(_line_of(key, block[1], header_line), what) for key, what in _header_faults(header)]
    faults += [fault(first_line + line - 1, what) for line, what in sql_faults]
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
        first_line=first_line,
    )
    return measure, []


def _name_of_file_faults(name: str) -> list[str]:
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
            near = _nearest(str(value), allowed)
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


def _read_select(text: str) -> tuple[str, list[tuple[int, str]]]:
    """The SELECT without what follows it, and pairs of a line (the first is 1) and what is wrong there."""
    code = _code_only(text).rstrip()
    sql = text[: len(code.rstrip("; \t\n"))]
    try:
        statements = duckdb.extract_statements(text)
    except duckdb.Error as error:
        fault = engine_fault(error, Path(), 1)
        return sql, [(fault.line, fault.what), *_speciality_faults(code)]
    if len(statements) != 1:
        return sql, [(1, f"{len(statements)} statements after the header: expected one SELECT")]
    faults = _speciality_faults(code)
    opens_well = re.match(r"\s*(select|with)\b", code, re.IGNORECASE)
    if statements[0].type != duckdb.StatementType.SELECT or not opens_well:
        faults.append((1, "not a SELECT: expected one query that begins with select or with"))
    if statements[0].named_parameters:
        place = re.search(r"\$\w+|\?", code)
        faults.append((_line_at(code, place), "a parameter: a measure takes none, write the value itself"))
    return sql, faults


def _speciality_faults(code: str) -> list[tuple[int, str]]:
    faults = []
    for pattern, what in SPECIALITIES.items():
        place = re.search(pattern, code, re.IGNORECASE)
        if place:
            faults.append((_line_at(code, place), f"not portable: {what}"))
    for place in re.finditer(r"\bselect\s+(?:distinct\s+)?(?:\w+\.)?\*", code, re.IGNORECASE):
        before = code[: place.start()]
        if before.count("(") == before.count(")"):
            faults.append((_line_at(code, place), "select * at the end: name the columns instead"))
    return faults


def _code_only(sql: str) -> str:
    """The same text, every character at its place, with comments and quoted text blanked out."""
    not_code = re.compile(r"--[^\n]*|/\*.*?\*/|'(?:[^']|'')*'", re.DOTALL)
    # Quotation marks stay, so that text at the very end is seen as a part of the query.
    return not_code.sub(lambda found: re.sub(r"[^\n']" if found[0][0] == "'" else r"[^\n]", " ", found[0]), sql)


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
        near = _nearest(name, missing) or _nearest(name, known)
        meant.add(near)
        hint = f"did you mean `{near}`?" if near else f"expected: {', '.join(known)}"
        faults.append((name, f"unknown {thing} `{name}`; {hint}"))
    absent = [f"`{name}`" for name in missing if name not in meant]
    if absent:
        faults.append(("", f"missing {thing}{'s' if len(absent) > 1 else ''} {', '.join(absent)}"))
    return faults


def _nearest(name: str, known: Sequence[str]) -> str:
    return next(iter(difflib.get_close_matches(name, known, n=1)), "")


def engine_fault(error: duckdb.Error, file: Path, first_line: int) -> Fault:
    """The engine's own words about the SQL, with its line turned into one of the file."""
    what, _, place = str(error).partition("\n\nLINE ")
    line = re.match(r"\d+", place)
    return Fault(file, first_line + (int(line[0]) - 1 if line else 0), " ".join(what.split()))


def _toml_fault(error: tomllib.TOMLDecodeError, header: str) -> tuple[int, str]:
    what, _, place = str(error).partition(" (at ")
    line = re.match(r"line (\d+)", place)
    return (int(line[1]) if line else 1 + header.count("\n")), f"the header is not valid TOML: {what}"


def _line_of(key: str, header: str, header_line: int) -> int:
    place = re.search(rf"^\s*\[*\s*{re.escape(key)}\b", header, re.MULTILINE) if key else None
    return header_line + (header.count("\n", 0, place.end()) if place else 0)


def _line_at(text: str, place: re.Match[str] | None) -> int:
    return 1 + text.count("\n", 0, place.start() if place else 0)
