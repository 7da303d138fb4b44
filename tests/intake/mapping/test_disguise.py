"""Whatever names, codes, units and forms a hospital has: under the mapping that says so, its rows come back."""

import csv
import io
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.intake.check import typed
from pipeline.vocabulary import TABLES, Column, Kind, Table
from tests.intake.mapping.hospital import OTHERS, rows_of, sources

# 1 mmHg in kPa (NIST SP 811); exact decimal arithmetic here, binary in the tool.
KPA_PER_MMHG = Decimal("0.133322387415")
UNITS = {
    "spo2_percent": "fraction",
    "lower_percent": "fraction",
    "upper_percent": "fraction",
    "fio2_fraction": "percent",
    "pco2_kpa": "mmHg",
    "po2_kpa": "mmHg",
}
# In every encoding tried, and of no meaning in CSV or as an empty cell.
LETTERS = "abcdefgzABCZäöüéß 0123456789_-/()%."
MISSING = "NULL"
TIME_FORMATS = (
    "",
    "%d/%m/%Y %H:%M:%S",
    "%m-%d-%Y %H:%M:%S",
    "%d.%m.%y %I:%M:%S %p",
    "%Y%m%d%H%M%S",
    "%d %b %Y %H:%M:%S",
)


@dataclass(frozen=True)
class Disguise:
    """How a hospital writes one table. words: column -> code -> what the hospital says for it."""

    names: Mapping[str, str]
    order: list[str]
    words: Mapping[str, Mapping[str, str]]
    units: frozenset[str]
    time_format: str
    delimiter: str
    decimal: str
    encoding: str
    line_end: str


def plain(text: str) -> str:
    return " ".join(text.lower().split())


def words(least: int, most: int) -> st.SearchStrategy[list[str]]:
    """Different words however they are compared."""
    word = st.text(LETTERS, min_size=1, max_size=12).map(str.strip).filter(lambda text: plain(text) not in ("", "null"))
    return st.lists(word, min_size=least, max_size=most, unique_by=plain)


@st.composite
def disguises(draw: st.DrawFn, table: Table) -> Disguise:
    # No word that identifies people can be spelt with these letters.
    headers = draw(words(len(table.columns), len(table.columns)))
    codes: dict[str, dict[str, str]] = {}
    for column in table.columns:
        if column.kind is Kind.CODE and draw(st.booleans()):
            own = draw(words(len(column.codes), len(column.codes)))
            codes[column.name] = dict(zip(column.codes, own, strict=True))
    return Disguise(
        names=dict(zip(table.column_names, headers, strict=True)),
        order=draw(st.permutations(table.column_names)),
        words=codes,
        units=frozenset(name for name in UNITS if draw(st.booleans())),
        time_format=draw(st.sampled_from(TIME_FORMATS)),
        delimiter=draw(st.sampled_from([",", ";", "\t", "|"])),
        decimal=draw(st.sampled_from([".", ","])),
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "latin-1", "cp1252"])),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
    )


def cells(column: Column) -> st.SearchStrategy[str | None]:
    """Cells of a column in the canonical form; None where it is empty."""
    if column.kind is Kind.TIME:
        times = st.datetimes(datetime(2000, 1, 1), datetime(2068, 12, 31))
        filled: st.SearchStrategy[str] = times.map(lambda at: at.strftime("%Y-%m-%d %H:%M:%S"))
    elif column.kind is Kind.NUMBER:
        lowest, highest = (10, 60) if column.lowest is None else (column.lowest, column.highest)
        filled = st.decimals(Decimal(str(lowest)), Decimal(str(highest)), places=3).map(lambda n: f"{n:f}")
    elif column.kind is Kind.CODE:
        filled = st.sampled_from(column.codes)
    else:
        filled = words(1, 1).map(lambda found: found[0])
    return filled if column.required else st.none() | filled


def written(cell: str | None, column: Column, disguise: Disguise) -> str:
    if cell is None:
        return MISSING
    if column.name in disguise.words:
        return disguise.words[column.name][cell]
    if column.kind is Kind.TIME and disguise.time_format:
        return datetime.fromisoformat(cell).strftime(disguise.time_format)
    if column.kind is Kind.NUMBER:
        number = Decimal(cell)
        if column.name in UNITS and column.name in disguise.units:
            unit = UNITS[column.name]
            number = number / KPA_PER_MMHG if unit == "mmHg" else number / 100 if unit == "fraction" else number * 100
        return f"{number:f}".replace(".", disguise.decimal)
    return cell


def mapping_text(table: Table, disguise: Disguise) -> str:
    def line(name: str, value: object) -> str:
        return f"{json.dumps(name, ensure_ascii=False)} = {json.dumps(value, ensure_ascii=False)}"

    lines = [f"[{table.name}]", 'files = "own.csv"', line("delimiter", disguise.delimiter)]
    lines += [line("decimal", disguise.decimal), line("encoding", disguise.encoding), line("missing", MISSING.lower())]
    lines += [line("time_format", disguise.time_format)] if disguise.time_format else []
    lines += [f"[{table.name}.columns]", *(line(*item) for item in disguise.names.items()), f"[{table.name}.units]"]
    lines += [line(name, UNITS[name]) for name in sorted(disguise.units) if name in table.column_names]
    for column, own in disguise.words.items():
        lines += [f"[{table.name}.codes.{column}]", *(line(word, code) for code, word in own.items())]
    return "\n".join(lines)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.data())
def test_a_disguised_table_comes_back_the_same(data: st.DataObject) -> None:
    table = data.draw(st.sampled_from(list(TABLES.values())))
    disguise = data.draw(disguises(table))
    rows = data.draw(st.lists(st.fixed_dictionaries({c.name: cells(c) for c in table.columns}), min_size=1, max_size=5))

    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=disguise.delimiter, lineterminator=disguise.line_end)
    writer.writerow([disguise.names[name] for name in disguise.order])
    writer.writerows([written(row[name], table.column(name), disguise) for name in disguise.order] for row in rows)

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "extract"
        folder.mkdir()
        (folder / "own.csv").write_bytes(text.getvalue().encode(disguise.encoding))
        for name, content in OTHERS.items():
            (folder / name).write_text(content)
        [source] = [s for s in sources(folder, mapping_text(table, disguise)) if s.table == table.name]
        found = rows_of(source)

    schema = dict.fromkeys(table.column_names, pl.String)
    canonical = pl.DataFrame(rows, schema=schema).with_row_index("row_number", offset=2)
    expected = typed(canonical.with_columns(pl.col("row_number").cast(pl.Int64)), table, "Europe/London")
    # `cells` is how a row that is kept aside was written, and that differs.
    assert_frame_equal(typed(found, table, "Europe/London").drop("cells"), expected.drop("cells"), check_exact=True)
