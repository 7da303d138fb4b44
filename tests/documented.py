"""The parts of DEVELOPERS.md that say what the store holds and why: made from the store and the files of sql/tables/,
and the words in its columns, made from the code that writes them.

uv run python -m tests.documented --write
"""

import re
import sys
from itertools import groupby
from pathlib import Path

import duckdb

from pipeline.coded_words import CODED_COLUMNS
from pipeline.store import create_tables, sql_stems, sql_text

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"
_BETWEEN = re.compile(r"(?<=<!-- tables -->\n).*?(?=<!-- end of tables -->)", re.DOTALL)
_WORDS_BETWEEN = re.compile(r"(?<=<!-- words -->\n).*?(?=<!-- end of words -->)", re.DOTALL)
_NO_REASON = "NO REASON GIVEN"


def columns_of_the_store() -> dict[str, dict[str, str]]:
    """For each table and view the type of each column, as the store has them."""
    with duckdb.connect() as connection:
        create_tables(connection)
        return {
            stem: {name: _short(kind) for name, kind, *_ in connection.execute(f"describe {stem}").fetchall()}
            for stem in sql_stems("tables")
        }


def reasons(sql: str) -> dict[str, str]:
    """For each column of a table's SQL file the reason that stands behind it: `name type, -- reason`."""
    is_view = "create view" in sql
    found = {}
    for line in sql.splitlines():
        code, _, reason = line.partition(" -- ")
        words = re.findall(r"\w+", code)
        if code.startswith("    ") and words and reason.strip():
            found[words[-1] if is_view else words[0]] = reason.strip()
    return found


def tables_in_markdown() -> str:
    """A paragraph per table with its grain, and a line per column, or run of columns with one reason."""
    parts = []
    for stem, columns in columns_of_the_store().items():
        why = reasons(sql_text("tables", stem))
        lines = [
            f"- {', '.join(f'`{name}` {columns[name]}' for name in names)}: {reason}\n"
            for reason, names in groupby(columns, key=lambda name: why.get(name, _NO_REASON))
        ]
        parts.append(f"**`{stem}`**: {_header(stem)}\n\n{''.join(lines)}\n")
    return "".join(parts)


def words_in_markdown() -> str:
    """A line per column that holds words, with the words it can hold."""
    lines = []
    for column in CODED_COLUMNS:
        where = f" ({', '.join(f'`{table}`' for table in column.tables)})" if column.tables else ""
        told = [f"`{word}`" + (f" ({means.rstrip('.')})" if means else "") for word, means in column.words.items()]
        lines.append(f"- `{column.name}`{where}: {', '.join(told)}\n")
    return "".join(lines)


def _header(stem: str) -> str:
    lines = sql_text("tables", stem).splitlines()
    return " ".join(line.removeprefix("--").strip() for line in lines if line.startswith("--"))


def _short(kind: str) -> str:
    return re.sub(r"enum\([^)]*\)", "enum", kind.lower())


def documented() -> str:
    """What DEVELOPERS.md says now."""
    found = _BETWEEN.search(DEVELOPERS.read_text(encoding="utf-8"))
    return found[0] if found else ""


def words_documented() -> str:
    """What DEVELOPERS.md says now about the words in columns."""
    found = _WORDS_BETWEEN.search(DEVELOPERS.read_text(encoding="utf-8"))
    return found[0] if found else ""


if __name__ == "__main__" and "--write" in sys.argv:
    text = DEVELOPERS.read_text(encoding="utf-8")
    text = _WORDS_BETWEEN.sub(lambda _: words_in_markdown(), text)
    DEVELOPERS.write_text(_BETWEEN.sub(lambda _: tables_in_markdown(), text), encoding="utf-8")
