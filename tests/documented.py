"""The part of DEVELOPERS.md that lists every table and column, made from the store itself.

uv run python -m tests.documented --write
"""

import re
import sys
from pathlib import Path

import duckdb

from pipeline.store import create_tables, sql_stems, sql_text

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"
_BETWEEN = re.compile(r"(?<=<!-- tables -->\n).*?(?=<!-- end of tables -->)", re.DOTALL)


def tables_in_markdown() -> str:
    """One paragraph per table: its name, its grain as its SQL file states it, its columns with their types."""
    parts = []
    with duckdb.connect() as connection:
        create_tables(connection)
        for stem in sql_stems("tables"):
            described = connection.execute(f"describe {stem}").fetchall()
            columns = ", ".join(f"`{name}` {kind.lower()}" for name, kind, *_ in described)
            parts.append(f"**`{stem}`**: {_header(stem)}\n{_short(columns)}\n\n")
    return "".join(parts)


def _header(stem: str) -> str:
    lines = sql_text("tables", stem).splitlines()
    return " ".join(line.removeprefix("--").strip() for line in lines if line.startswith("--"))


def _short(columns: str) -> str:
    return re.sub(r"enum\([^)]*\)", "enum", columns)


def documented() -> str:
    """What DEVELOPERS.md says now."""
    found = _BETWEEN.search(DEVELOPERS.read_text(encoding="utf-8"))
    return found[0] if found else ""


if __name__ == "__main__" and "--write" in sys.argv:
    text = DEVELOPERS.read_text(encoding="utf-8")
    DEVELOPERS.write_text(_BETWEEN.sub(lambda _: tables_in_markdown(), text), encoding="utf-8")
