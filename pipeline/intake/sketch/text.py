"""Writes one section of a first mapping file: the lines, and the comment on each guess."""

import json
from dataclasses import dataclass

import polars as pl

from pipeline.intake.mapping.notes import counted
from pipeline.intake.sketch.columns import Guess, Profile
from pipeline.intake.sketch.times import in_order
from pipeline.vocabulary import Column, Kind, Table


@dataclass
class Section:
    """What is to be written about one table in files with the same columns."""

    table: Table
    profile: Profile
    columns: dict[str, Guess]
    codes: dict[str, dict[str, str | float]]
    only: dict[str, list[str]]

    @property
    def missing_columns(self) -> list[str]:
        return [c.name for c in self.table.columns if c.required and c.name not in self.columns]


def section_lines(section: Section, several: bool) -> list[str]:
    name, look = section.table.name, section.profile.look
    # Written as a whole, so that it can be taken out of the comment as a whole.
    lines = [
        f"[[{name}]]" if several else f"[{name}]",
        f"files = {quoted(look.patterns)}  # {len(look.names)} found; {counted(look.cells.height)} looked at",
        *_form_lines(section),
        "",
        f"[{name}.columns]",
        *[_column_line(section, column) for column in section.table.columns],
    ]
    units = {column: guess.unit for column, guess in section.columns.items() if guess.unit}
    if units:
        lines += ["", f"[{name}.units]"]
        lines += [f"{c} = {quoted(unit)}  # the values fit this and not the usual unit" for c, unit in units.items()]
    for column, words in section.codes.items():
        lines += _code_lines(section, section.table.column(column), words)
    if section.only:
        lines += [
            "",
            f"# Only rows that hold one of these values. The others are not rows of {name}.",
            f"[{name}.only]",
        ]
        lines += [f"{quoted(h)} = {quoted(w)}" for h, w in section.only.items()]
    if section.missing_columns:
        return [
            f"# {name}: nothing was found for {', '.join(section.missing_columns)}, which must be there.",
            "# Complete the lines below, and take the first # away from all of them.",
            *(f"# {line}".rstrip() for line in lines),
        ]
    return lines


def _form_lines(section: Section) -> list[str]:
    profile, look = section.profile, section.profile.look
    lines = []
    if look.delimiter != ",":
        lines.append(f"delimiter = {quoted(look.delimiter)}  # the sign that cuts the header into most columns")
    if profile.decimal != ".":
        lines.append('decimal = ","  # more numbers with a comma than with a point')
    if look.encoding != "utf-8":
        lines.append(f"encoding = {quoted(look.encoding)}  # from the first bytes; check accents and signs")
    used = [name for guess in section.columns.values() for name in guess.names]
    lines += _time_format_lines(section)
    filled = look.cells.select(pl.col(used).str.to_lowercase())
    met = sorted({word for name in used for word in filled[name].unique().drop_nulls() if word in profile.missing})
    met = [word for word in met if not any(word in map(str.lower, words) for words in section.codes.values())]
    if met:
        lines.append(f"missing = {quoted(met)}  # words met that look like an empty cell")
    return lines


def _time_format_lines(section: Section) -> list[str]:
    guesses = [guess.times for guess in section.columns.values() if guess.times]
    formats = sorted({text for guess in guesses for text in guess.formats})
    if not formats:
        return []
    order = in_order(section.profile.times.values())
    if order is None and any("{1}" in text for text in formats):
        return [
            "# Day and month cannot be told apart in the values seen. Take the # away from the line that is right:",
            *(f"# time_format = {_formats(formats, way)}" for way in (("%d", "%m"), ("%m", "%d"))),
        ]
    return [f"time_format = {_formats(formats, order or ('%d', '%m'))}  # how the times seen are written"]


def _formats(formats: list[str], order: tuple[str, str]) -> str:
    return quoted([text.replace("{1}", order[0]).replace("{2}", order[1]) for text in formats])


def _column_line(section: Section, column: Column) -> str:
    guess = section.columns.get(column.name)
    if guess is None:
        comment, why = ("", "not found, and it must be there") if column.required else ("# ", "not found")
        return f'{comment}{column.name} = "?"  # {why}'
    names = [quoted(name) for name in guess.names]
    value = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
    return f"{column.name} = {value}  # {_why(section, column, guess)}"


def _why(section: Section, column: Column, guess: Guess) -> str:
    name = "the name says so" if guess.score >= 0.9 else "the name is only similar: check"
    if column.name in section.codes and column.kind is Kind.NUMBER:
        return "written out below, word by word"
    if guess.fits is None:
        return f"{name}; no value seen" if not section.only else name
    if column.kind is Kind.NUMBER:
        what = f"numbers from {column.lowest:g} to {column.highest:g}" if column.lowest is not None else "numbers"
        unit = f", once converted from {guess.unit}" if guess.unit else ""
        return f"{name}; {100 * guess.fits:.0f} % of the cells are {what}{unit}"
    if column.kind is Kind.TIME:
        return f"{name}; the cells are dates with a time of day"
    if column.kind is Kind.CODE:
        return f"{name}; {100 * guess.fits:.0f} % of the cells hold a code that is known or guessed below"
    return name


def _code_lines(section: Section, column: Column, words: dict[str, str | float]) -> list[str]:
    cells = section.profile.look.cells[section.columns[column.name].names[0]]
    counts = dict(cells.drop_nulls().value_counts().iter_rows())
    lines = ["", f"[{section.table.name}.codes.{column.name}]"]
    if column.codes and cells.n_unique() > len(words) + 1:
        lines.append(
            "# Long words, and many more words, may stand there as well; the load lists those it does not know."
        )
    for word, code in words.items():
        if word in column.codes:
            continue
        rows = counted(counts[word]) if word in counts else "any other word: an empty cell"
        line = f"{quoted(word)} = {quoted(code)}  # {rows}"
        if column.codes and code == "":
            line = f'# {quoted(word)} = "?"  # {rows}; one of {", ".join(column.codes)}'
        lines.append(line)
    return lines if len(lines) > 2 else []


def quoted(value: object) -> str:
    """A text, number or list as TOML writes it."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def in_comment(name: str) -> str:
    """A name that cannot end the comment it stands in."""
    return "".join(sign if sign.isprintable() else " " for sign in name)
