"""The SELECT of a measure file: read, held to what every engine runs, and its faults found with line and column."""

import difflib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import duckdb

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
# What the engine puts before the place of an error: a line of the SQL, shortened with dots where it is long.
_PLACE = re.compile(r"LINE (?P<line>\d+): (?P<text>.*)\n(?P<under> *)\^")
_DOTS = "..."
# Errors that tell of the disk, the memory or Ctrl-C, not of the SQL.
NOT_OF_THE_SQL = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.InterruptException,
)
# What went wrong while rows were read. The engine's own words hold the value it stumbled over.
_IN_WORDS: Mapping[type[duckdb.Error], str] = {
    duckdb.ConversionException: "a value could not be turned into the type asked for",
    duckdb.OutOfRangeException: "a number is too large for its type",
}
_OTHERWISE = "a function did not accept a value"


class Fault(NamedTuple):
    """One thing wrong in one file."""

    file: Path
    line: int
    what: str


def read_select(text: str) -> tuple[str, list[tuple[int, str]]]:
    """The SELECT without what follows it, and pairs of a line (the first is 1) and what is wrong there."""
    code = code_only(text).rstrip()
    sql = text[: len(code.rstrip("; \t\n"))]
    try:
        statements = duckdb.extract_statements(text)
    except duckdb.Error as error:
        fault = engine_fault(error, Path(), 1, text)
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


def is_one_select(text: str) -> bool:
    """Whether the text is one SELECT without a parameter, so that an engine can be asked about it."""
    try:
        statements = duckdb.extract_statements(text)
    except duckdb.Error:
        return False
    return (
        len(statements) == 1
        and statements[0].type == duckdb.StatementType.SELECT
        and not statements[0].named_parameters
    )


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


def code_only(sql: str) -> str:
    """The same text, every character at its place, with comments and quoted text blanked out."""
    not_code = re.compile(r"--[^\n]*|/\*.*?\*/|'(?:[^']|'')*'", re.DOTALL)
    # Quotation marks stay, so that text at the very end is seen as a part of the query.
    return not_code.sub(lambda found: re.sub(r"[^\n']" if found[0][0] == "'" else r"[^\n]", " ", found[0]), sql)


def _line_at(text: str, place: re.Match[str] | None) -> int:
    return 1 + text.count("\n", 0, place.start() if place else 0)


def engine_fault(error: duckdb.Error, file: Path, first_line: int, sql: str) -> Fault:
    """The engine's own words about the SQL, with its line turned into one of the file, and the column.

    For errors found before a row is read: the words of later ones may hold the value of a cell.
    """
    what, _, _ = str(error).partition("\n\nLINE ")
    line, column = place_of(error, sql)
    where = f" (at column {column})" if column else ""
    return Fault(file, first_line + line - 1, " ".join(what.split()) + where)


def fault_of_running(error: duckdb.Error, file: Path, first_line: int, sql: str) -> Fault:
    """What went wrong while the SQL of a measure ran, in words that hold no value of a cell."""
    kind = str(error).partition(":")[0] if str(error).partition(":")[0].endswith("Error") else "Error"
    what = next((words for type_, words in _IN_WORDS.items() if isinstance(error, type_)), _OTHERWISE)
    line, column = place_of(error, sql)
    where = f" (at column {column})" if column else " (somewhere in the SELECT)"
    return Fault(file, first_line + line - 1, f"{kind} while it ran: {what}{where}")


def place_of(error: duckdb.Error, sql: str) -> tuple[int, int]:
    """Line and column (both from 1; column 0: not known) of the SQL that an error of the engine points at."""
    found = _PLACE.search(str(error))
    if found is None:
        return 1, 0
    line, shown = int(found["line"]), found["text"]
    before = len(_DOTS) if shown.startswith(_DOTS) else 0
    pointed = len(found["under"]) - len(f"LINE {line}: ") - before
    # The engine may have been given words before the SQL, which stand in its first line.
    text = shown[before:].removesuffix(_DOTS)
    lines = sql.split("\n")
    if line > len(lines) or pointed < 0:
        return line, 0
    # The mark stands as if tabs had no width.
    places = [place for place, character in enumerate(text) if character != "\t"]
    tail = text[places[pointed] :] if pointed < len(places) else ""
    return line, lines[line - 1].rfind(tail) + 1 if tail else 0


def unknown_names(sql: str, connection: duckdb.DuckDBPyConnection) -> list[tuple[int, str, str]]:
    """Tables and columns named in the SQL that nothing has: line, name, and what is wrong, with the nearest right name.

    The engine stops at the first of them. Names made in the query itself are known.
    """
    [(tree,)] = connection.execute("select json_serialize_sql(?)", [sql]).fetchall()
    nodes = list(_nodes(json.loads(tree)))
    made = {str(node["alias"]) for node in nodes if node.get("alias")}
    made |= {str(name) for node in nodes for name in node.get("column_name_alias") or ()}
    steps = {str(step["key"]) for node in nodes if "cte_map" in node for step in node["cte_map"]["map"]}
    tables = {name for (name,) in connection.execute("select table_name from information_schema.tables").fetchall()}
    columns = {name for (name,) in connection.execute("select column_name from information_schema.columns").fetchall()}
    found: dict[str, tuple[int, str, str]] = {}
    for node in nodes:
        if node.get("type") == "BASE_TABLE":
            thing, name, known = "table", str(node["table_name"]), tables | steps
        elif node.get("type") == "COLUMN_REF":
            thing, name, known = "column", str(node["column_names"][-1]), columns | made | steps
        else:
            continue
        if name.lower() not in {each.lower() for each in known}:
            found.setdefault(name, (_line_of_byte(sql, node), name, _not_known(thing, name, known)))
    return list(found.values())


def _not_known(thing: str, name: str, known: set[str]) -> str:
    near = nearest(name, sorted(known))
    return f"unknown {thing} `{name}`" + (f"; did you mean `{near}`?" if near else "")


def _line_of_byte(sql: str, node: dict[str, Any]) -> int:
    return 1 + sql.encode()[: node["query_location"]].count(b"\n")


def _nodes(tree: Any) -> Iterator[dict[str, Any]]:
    if isinstance(tree, dict):
        yield tree
        tree = list(tree.values())
    if isinstance(tree, list):
        for part in tree:
            yield from _nodes(part)


def nearest(name: str, known: Sequence[str]) -> str:
    """The known name most like this one; empty if none is."""
    return next(iter(difflib.get_close_matches(name, known, n=1)), "")
