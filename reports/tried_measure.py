"""What `bandaudit try` says about a measure: the figures as the report would show them, and what looks wrong."""

from collections.abc import Sequence
from textwrap import wrap

import duckdb

from pipeline.trial import Trial
from reports import store_tables, wording
from reports.absent import absent_tables
from reports.measures import Result, result_shown
from reports.month_asked import chosen_month

MONTHS_SHOWN = 6
GROUPS = (None, "retainer", "other")
_WIDTH = 110
_HEADER = ("month", "group", "result", "95 % interval", "rests on")


def in_words(con: duckdb.DuckDBPyConnection, trial: Trial, asked: str | None) -> str:
    """Everything about one trial as text for a terminal: six months, the latest first, with figures by group.

    con: the store that it was tried on. asked: the last of the months, YYYY-MM; null: the last complete one.
    Raises AuditError when the store holds no such month.
    """
    measure, month = trial.measure, month_asked(con, asked)
    untold = [table for table in measure.needs if table in absent_tables(con)]
    unit = "" if measure.unit == "%" else f", in {measure.unit}"
    parts = [
        f"{measure.id}: {measure.title} ({measure.kind}{unit})\n{measure.question}",
        _figures(trial, month),
        _rows(trial),
        _warnings((*trial.warnings, *_not_loaded(untold))),
    ]
    # A terminal may not know the blanks that keep a number and its unit together.
    return "\n\n".join(parts).replace(wording.NO_BREAK, " ").replace(wording.EN_DASH, "-")


def month_asked(con: duckdb.DuckDBPyConnection, asked: str | None) -> str:
    """The month asked for, or the last complete one of the store."""
    months = sorted(store_tables.summaries(con)["month"].unique())
    return chosen_month(asked, months, store_tables.as_of(con), store_tables.zone(con))


def _not_loaded(untold: list[str]) -> list[str]:
    if not untold:
        return []
    return [f"No {wording.listed_in_words(untold)} were loaded into this store: the report would show no figure."]


def _figures(trial: Trial, month: str) -> str:
    rows = [_HEADER]
    for each in reversed(wording.months_up_to(month, MONTHS_SHOWN)):
        for group in GROUPS:
            result = result_shown(trial.measure, trial.summary, each, None, group)
            first = wording.month_in_words(each) if group is None else ""
            rows.append((first, wording.GROUP_IN_WORDS[group], *_cells(result)))
    return in_columns(rows)


def _cells(result: Result) -> tuple[str, str, str]:
    return (result.figure, result.interval, result.basis) if not result.why else (result.why, "", "")


def in_columns(rows: Sequence[Sequence[str]]) -> str:
    """Rows of cells as lines, each column as wide as its widest cell.

    >>> in_columns([("a", "b"), ("long", "c")])
    'a     b\\nlong  c'
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(line.rstrip() for line in lines)


def _rows(trial: Trial) -> str:
    counts = f"Returned: {trial.rows} rows, of {trial.stays} stays and {trial.patients} patients."
    nulls = ", ".join(f"{name} {count}" for name, count in trial.nulls.items() if count != "0")
    parts = [counts, f"Null: {nulls}." if nulls else "No null."]
    if trial.zero_denominators:
        parts.append(f"Denominator 0 (nobody eligible): {trial.zero_denominators} rows.")
    parts.append(f"It ran for {trial.seconds:.2f} s.")
    return "\n".join(wrap(" ".join(parts), _WIDTH))


def _warnings(sentences: Sequence[str]) -> str:
    if not sentences:
        return "Nothing looks wrong."
    lines = ["Look at this:"]
    for sentence in sentences:
        lines += wrap(sentence, _WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)
