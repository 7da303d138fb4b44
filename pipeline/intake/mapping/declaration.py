"""Reads the mapping file: a hospital's files, columns, codes, units and time zone in the words of the extract.

What may stand in it is shown under "When the hospital's files look otherwise" in README.md. Every fault of the file is
found and told at once.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from pipeline.errors import MappingError
from pipeline.intake.mapping.values import (
    FORM_DEFAULTS,
    FORM_KEYS,
    code,
    file_patterns,
    fixed_value,
    hospital_columns,
    unit,
    word_list,
)
from pipeline.vocabulary import TABLES, Table

_TABLE_KEYS = ("files", *FORM_KEYS, "columns", "units", "codes", "fixed", "only")
_TOP_KEYS = ("timezone", *FORM_KEYS, *TABLES, "database")
_DATABASE_KEYS = ("select", "password_env")


@dataclass(frozen=True)
class TableMapping:
    """How one table of the extract is made from files, or a SELECT, of the hospital.

    files: name patterns within the folder; empty: the canonical names (`readings.csv`, `readings-2026-01.csv`).
    columns: column of the extract -> columns of the hospital (several, date and time, are joined by a blank); empty:
    the columns have their canonical names. units: column -> the unit it is in. codes: column -> word of the hospital
    in small letters -> code ("" for an empty cell; "*" stands for every word not listed). fixed: column -> the value
    of every row. only: column of the hospital -> the values of the rows to be taken.
    delimiter, decimal, encoding: of CSV files. time_formats: besides ISO 8601; `excel_serial`: days since 1900.
    missing: cells, in small letters, that count as empty.
    """

    table: str
    files: tuple[str, ...] = ()
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    codes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    fixed: Mapping[str, str] = field(default_factory=dict)
    only: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    time_formats: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class ExtractMapping:
    """A whole mapping file.

    tables: one or several for each table that the file names; a table it does not name has canonical files.
    timezone: zone of times without offset, None where not said. select: table -> SELECT of the warehouse.
    password_env: environment variable that holds the password of the database, None: as the driver finds it.
    """

    tables: tuple[TableMapping, ...]
    timezone: str | None = None
    select: Mapping[str, str] = field(default_factory=dict)
    password_env: str | None = None

    def of(self, table: str) -> list[TableMapping]:
        """The mappings of one table; one that changes nothing where the file does not name it."""
        return [part for part in self.tables if part.table == table] or [TableMapping(table)]


class _Faults:
    """Collects what is wrong, each with its place, so that all of it can be told at once."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, place: str, fault: str) -> None:
        self.lines.append(f"{place}: {fault}")

    def known(self, place: str, name: str, names: tuple[str, ...]) -> bool:
        """Whether the name is one of these; if not, notes it with the nearest right one."""
        if name in names:
            return True
        near = get_close_matches(name.lower(), names, n=1)
        self.add(place, f"'{name}' is not known{f' (perhaps {near[0]})' if near else ''}; known: {', '.join(names)}")
        return False


def read_mapping(path: Path) -> ExtractMapping:
    """Reads a mapping file.

    Raises MappingError naming every entry that cannot be used, with the nearest right name.
    """
    content = _toml(path)
    faults = _Faults()
    defaults = _form(content, "at the top of the file", faults)
    for key in content:
        faults.known("at the top of the file", key, _TOP_KEYS)
    select, password_env = _database(content.get("database", {}), faults)
    parts = [
        _part(TABLES[name], block, place, defaults, faults)
        for name in TABLES
        for place, block in _blocks(name, content.get(name, []), faults)
    ]
    for part in parts:
        if part.table in select and (part.files or sum(other.table == part.table for other in parts) > 1):
            faults.add(f"[{part.table}]", "comes from [database.select]; it takes one section, without files")
    zone = _zone(content.get("timezone"), faults)
    if faults.lines:
        number = len(faults.lines)
        raise MappingError(
            f"The mapping file {path} has {number} entr{'y' if number == 1 else 'ies'} that cannot be used:\n  "
            + "\n  ".join(faults.lines)
            + "\nCorrect the file and run the command again; nothing was changed."
        )
    return ExtractMapping(tuple(parts), zone, select, password_env)


def _zone(zone: Any, faults: _Faults) -> str | None:
    if zone is None or (isinstance(zone, str) and zone in available_timezones()):
        return zone
    near = get_close_matches(str(zone), available_timezones(), n=1)
    hint = f" (perhaps {near[0]})" if near else ""
    faults.add("timezone", f"must be a name of the tz database, such as Europe/London{hint}")
    return None


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise MappingError(f"The mapping file {path} cannot be read: {error.strerror}. Check the path.") from error
    except UnicodeDecodeError as error:
        raise MappingError(f"The mapping file {path} is not text in UTF-8. Save it as UTF-8 and try again.") from error
    except tomllib.TOMLDecodeError as error:
        raise MappingError(
            f"The mapping file {path} is not valid TOML: {error}. Texts stand in quotation marks, lists in square "
            "brackets; a section begins with [readings], or with [[readings]] where a table has several."
        ) from error


def _blocks(name: str, value: Any, faults: _Faults) -> list[tuple[str, dict[str, Any]]]:
    """The sections of a table, each with the place that messages name."""
    if isinstance(value, dict):
        return [(name, value)]
    if isinstance(value, list) and all(isinstance(block, dict) for block in value):
        return [(f"{name} no. {number}" if len(value) > 1 else name, b) for number, b in enumerate(value, start=1)]
    faults.add(name, f"must be a section that begins with [{name}]")
    return []


def _part(table: Table, block: dict[str, Any], place: str, defaults: dict[str, Any], faults: _Faults) -> TableMapping:
    for key in block:
        if key == "timezone":
            faults.add(f"[{place}]", "timezone belongs at the top of the file, above the first section")
        else:
            faults.known(f"[{place}]", key, _TABLE_KEYS)
    columns = _entries(table, block, place, "columns", hospital_columns, faults)
    fixed = _entries(table, block, place, "fixed", fixed_value, faults)
    units = _entries(table, block, place, "units", unit, faults)
    only = {
        name: _checked(f"[{place}.only] {name}", word_list, value, faults) or ()
        for name, value in _section(block, place, "only", faults).items()
    }
    codes = {}
    for name, words in _section(block, place, "codes", faults).items():
        if faults.known(f"[{place}.codes]", name, table.column_names):
            codes[name] = _words(table, name, words, f"{place}.codes.{name}", faults)
    if columns or fixed:
        _check_columns(table, place, columns, fixed, {**units, **codes}, "columns" in block, faults)
    files = _checked(f"[{place}] files", file_patterns, block["files"], faults) if "files" in block else ()
    form = defaults | _form(block, f"[{place}]", faults)
    return TableMapping(table.name, files or (), columns, units, codes, fixed, only, **form)


def _check_columns(
    table: Table,
    place: str,
    columns: Mapping[str, object],
    fixed: Mapping[str, object],
    translated: Mapping[str, object],
    are_listed: bool,
    faults: _Faults,
) -> None:
    for name in fixed:
        if name in columns:
            faults.add(f"[{place}.fixed] {name}", f"has a column under [{place}.columns] as well; keep one of the two")
    if are_listed:
        missing = [c.name for c in table.columns if c.required and c.name not in columns and c.name not in fixed]
        if missing:
            faults.add(f"[{place}.columns]", f"lacks the required {', '.join(missing)}")
        for name in translated:
            if name not in columns:
                faults.add(f"[{place}.columns]", f"lacks {name}, for which units or codes are given")


def _entries(table: Table, block: dict[str, Any], place: str, key: str, check: Any, faults: _Faults) -> dict[str, Any]:
    """One section of `column = value` lines, checked by `check(column, value)`; faulty lines are left out."""
    found = {}
    for name, value in _section(block, place, key, faults).items():
        if faults.known(f"[{place}.{key}]", name, table.column_names):
            checked = _checked(f"[{place}.{key}] {name}", partial(check, table.column(name)), value, faults)
            if checked is not None:
                found[name] = checked
    return found


def _words(table: Table, name: str, words: Any, place: str, faults: _Faults) -> dict[str, str]:
    if not isinstance(words, dict):
        faults.add(f"[{place}]", 'must be a section of lines such as "Nasal specs" = "nasal_cannula"')
        return {}
    found: dict[str, str] = {}
    for word, value in words.items():
        checked = _checked(f"[{place}] '{word}'", partial(code, table.column(name)), value, faults)
        plain = " ".join(word.lower().split())
        if checked is not None and found.setdefault(plain, checked) != checked:
            faults.add(f"[{place}] '{word}'", "stands there twice, with different codes (capitals make no difference)")
    return found


def _section(block: dict[str, Any], place: str, key: str, faults: _Faults) -> dict[str, Any]:
    section = block.get(key, {})
    if not isinstance(section, dict):
        faults.add(f"[{place}] {key}", f"must be a section that begins with [{place}.{key}]")
        return {}
    return section


def _form(block: dict[str, Any], place: str, faults: _Faults) -> dict[str, Any]:
    """The keys that say how files are written, as fields of TableMapping; only those given."""
    form = {}
    for key, (field_name, check) in FORM_KEYS.items():
        if key in block:
            checked = _checked(f"{place} {key}", check, block[key], faults)
            form[field_name] = FORM_DEFAULTS[field_name] if checked is None else checked
    return form


def _database(block: Any, faults: _Faults) -> tuple[dict[str, str], str | None]:
    if not isinstance(block, dict):
        faults.add("database", "must be a section that begins with [database.select]")
        return {}, None
    for key in block:
        faults.known("[database]", key, _DATABASE_KEYS)
    select = {}
    for name, query in _section(block, "database", "select", faults).items():
        if not faults.known("[database.select]", name, tuple(TABLES)):
            continue
        if not isinstance(query, str) or query.lower().split(maxsplit=1)[:1] not in (["select"], ["with"]):
            faults.add(f"[database.select] {name}", 'must be one query that begins with "select" or "with"')
        else:
            select[name] = query.strip().removesuffix(";")
    variable = block.get("password_env")
    if variable is not None and not (isinstance(variable, str) and variable.isidentifier()):
        faults.add("[database] password_env", "must be the name of an environment variable, never the password")
        variable = None
    return select, variable


def _checked(place: str, check: Any, value: Any, faults: _Faults) -> Any:
    """The value as `check` returns it; None, with the fault noted, when it raises ValueError."""
    try:
        return check(value)
    except ValueError as error:
        faults.add(place, str(error))
        return None
