"""What looks wrong with a measure, seen from its text and from the rows it returned. No value of a cell is named."""

import re
import sqlite3
from collections.abc import Callable, Mapping, Sequence

import duckdb

from pipeline.coded_words import ALL_WORDS
from pipeline.measure_file import TEXT_KEYS, Measure
from pipeline.measure_rows import NUMBERS, is_unusable
from pipeline.measure_select import code_only, nearest

# The rows that the SELECT returned: a table of the connection's own.
RETURNED = "rows_of_the_measure_tried"
# What a draft says where words are still to be written.
DRAFT = "DRAFT"
# An hour more in the month in which the clocks go back.
_DAYS_OF_A_MONTH = 31.1
# What is empty, or always 0, when a table of the extract was not loaded: tables and columns, by the table needed.
_RESTS_ON: Mapping[str, re.Pattern[str]] = {
    "wards": re.compile(r"\bwards\b"),
    "devices": re.compile(
        r"\b(?:devices|device|flow_l_min|fio2(?:_low|_high)?|\w*on_oxygen\w*|unobserved_on_air_s"
        r"|high_fio2_episodes|episode_estimates|threshold_episodes|oxygen_changes|oxygen_change_effects"
        r"|valve_stretches|excess_runs|excess_totals)\b"
    ),
    "gases": re.compile(r"\b(?:gases|gas_\w+|repeat_gas_in_time|acidosis_after|pco2_change_kpa|ph_change)\b"),
    "flags": re.compile(r"\bflags\b"),
}
# Quoted text, comments left out.
_QUOTED = re.compile(r"--[^\n]*|/\*.*?\*/|'((?:[^']|'')*)'", re.DOTALL)


def few(count: int, small: float) -> str:
    """A count as it may be shown: from 1 up to under `small` it is only said to be there.

    >>> few(0, 8), few(3, 8), few(1200, 8)
    ('0', '1 to 7', '1,200')
    """
    return f"1 to {small - 1:g}" if 0 < count < small else f"{count:,}"


def numbers_of(columns: Sequence[str]) -> list[str]:
    """Those columns of the SELECT that are added up."""
    return [name for name in NUMBERS if name in columns]


def warnings(
    connection: duckdb.DuckDBPyConnection, measure: Measure, columns: Sequence[str], small: float
) -> tuple[str, ...]:
    """Everything that looks wrong, a sentence each; counts under `small` are not told.

    The rows stand in the table RETURNED of the connection, which is a measured store.
    """

    def count(query: str) -> int:
        return int(connection.execute(query).fetchall()[0][0] or 0)

    found = _of_rows(count, measure, columns)
    told = [sentence.format(few(number, small)) for number, sentence in found if number]
    if count(f"select count(*) from {RETURNED}") == 0:
        told.append("The SELECT returned no row at all: nobody is eligible, or a condition is never met.")
    return (*told, *_of_text(connection, measure))


def _of_rows(count: Callable[[str], int], measure: Measure, columns: Sequence[str]) -> list[tuple[int, str]]:
    """Pairs of a number of rows and what it means, with a gap for the number."""

    def rows(condition: str) -> int:
        return count(f"select count(*) from {RETURNED} as returned where {condition}")

    of_a_stay = "groups.stay_id = returned.stay_id and groups.month = returned.month"
    numbers = numbers_of(columns)
    found = [
        (
            rows(f"not exists (select 1 from stays_by_group as groups where {of_a_stay})"),
            "{} rows are of no stay with time in that month and were left out, as in the report: check `stay_id`, and "
            "that `month` is the month of the row.",
        ),
        (
            rows(is_unusable(numbers)),
            "{} rows hold a number that is not finite, or too large to add up (a division by 0?). They were left out "
            "here; the report stops at them.",
        ),
        (
            rows(" or ".join(f"{name} < 0" for name in numbers)),
            "{} rows hold a negative number.",
        ),
    ]
    if measure.kind == "median":
        return found
    grain = ", ".join(name for name in ("stay_id", "ward", "month", "retainer") if name in columns)
    repeated = count(f"select sum(rows - 1) from (select count(*) as rows from {RETURNED} group by {grain})")
    found.append((repeated, "{} rows repeat a stay, ward and month: group by them, or each is added up again."))
    if measure.kind == "share":
        eligible = rows("denominator > 0")
        found.append((eligible if not rows("numerator > 0") else 0, "The numerator is 0 in each of {} rows."))
        found.append((rows("numerator > denominator"), "{} rows have a numerator above their denominator: over 100 %."))
    else:
        too_long = rows(f"denominator > {_DAYS_OF_A_MONTH}")
        found.append((too_long, "{} rows have more than 31 days in one month: is the denominator in days?"))
    return found


def _of_text(connection: duckdb.DuckDBPyConnection, measure: Measure) -> list[str]:
    told = []
    code = code_only(measure.sql)
    lacking = [table for table, words in _RESTS_ON.items() if words.search(code) and table not in measure.needs]
    if lacking:
        named = ", ".join(f'"{table}"' for table in (*measure.needs, *lacking))
        told.append(
            f"It rests on {' and '.join(lacking)}, which may be missing from an extract: without them the figure "
            f"misleads. Unless it does not, the header wants: needs = [{named}]"
        )
    told += _strange_words(connection, measure.sql)
    other = _second_engine(connection, measure.sql)
    if other:
        told.append(
            f"A second engine, SQLite, does not take the SELECT ({other}): its cases are run there as well. Write it "
            "in plainer SQL."
        )
    drafts = [key for key in TEXT_KEYS if DRAFT in getattr(measure, key)]
    if drafts:
        told.append(f"Words of the draft are still in: {', '.join(drafts)}. The report would show them.")
    return told


def _strange_words(connection: duckdb.DuckDBPyConnection, sql: str) -> list[str]:
    """Quoted words that no column of words holds: a slip of the pen there gives 0 and no error."""
    thresholds = {name for (name,) in connection.execute("select name from policy_values").fetchall()}
    told = []
    for word in dict.fromkeys(found[1] for found in _QUOTED.finditer(sql) if found[1]):
        if word in ALL_WORDS | thresholds or not re.search("[A-Za-z]", word):
            continue
        near = nearest(word, sorted(ALL_WORDS | thresholds))
        told.append(
            f"'{word}' is a word of no column of words"
            + (f"; did you mean '{near}'? " if near else ". ")
            + "If it is the name of a ward or a site, all is well."
        )
    return told


def _second_engine(connection: duckdb.DuckDBPyConnection, sql: str) -> str:
    """Why the engine of the standard library does not take the SELECT; empty when it does. No row is read."""
    described = connection.execute(
        "select table_name, column_name from information_schema.columns order by table_name, ordinal_position"
    ).fetchall()
    tables: dict[str, list[str]] = {}
    for table, column in described:
        tables.setdefault(table, []).append(f'"{column}"')
    other = sqlite3.connect(":memory:")
    try:
        for table, names in tables.items():
            other.execute(f'create table "{table}" ({", ".join(dict.fromkeys(names))})')
        other.execute(f"explain {sql}")
    except sqlite3.Error as error:
        return str(error)
    finally:
        other.close()
    return ""
