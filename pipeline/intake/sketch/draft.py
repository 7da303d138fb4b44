"""Writes a first mapping file from the headers and values of a hospital's export, for a person to correct.

Every guess has a comment. What could not be guessed stands there commented out. Values are repeated only where a column
holds few, short words that look like nobody's: codes.
"""

from pathlib import Path

import polars as pl

from pipeline.errors import listed
from pipeline.intake.mapping.notes import may_be_shown
from pipeline.intake.sketch.columns import (
    Guess,
    Profile,
    alike,
    guess_columns,
    guess_target_range,
    is_identifying,
    profile_of,
)
from pipeline.intake.sketch.files import Look, look_into
from pipeline.intake.sketch.text import Section, in_comment, section_lines
from pipeline.intake.sketch.words import (
    KIND_WORDS,
    SPO2_PATTERN,
    VALUE_WORDS,
    guessed_code,
    printed_concentration,
)
from pipeline.vocabulary import TABLES, Column, Kind, Table

# Table -> one of each of these must be found in a file, or it does not hold the table.
_TELLING = {
    "stays": (("admitted_at",),),
    "wards": (("ward",), ("entered_at",)),
    "readings": (("spo2_percent",), ("taken_at",)),
    "devices": (("device",), ("started_at",)),
    "targets": (("lower_percent",), ("upper_percent",), ("prescribed_at",)),
    "gases": (("ph", "pco2_kpa", "po2_kpa"), ("taken_at",)),
    "flags": (("flag",), ("flagged_at",)),
}
_MOST_CODES_LISTED = 40
_MOST_CODES = 200
_HEAD = """\
# A first mapping, guessed from the headers and the first rows of the files. Check every line against somebody who knows
# the export; a guess may be wrong where it looks right. Lines that begin with # are not read: they are comments, or
# suggestions to be completed. What may stand here: README.md, "When the hospital's files look otherwise".

# The zone of the hospital's clocks. A guess that no file can confirm.
timezone = "Europe/London"
"""


def sketch_mapping(folder: Path) -> str:
    """The text of a first mapping file (TOML) for the files of a folder.

    Raises ExtractError when the folder cannot be read.
    """
    looks, unread = look_into(folder)
    profiles = [profile_of(look) for look in looks]
    sections = {name: [s for p in profiles if (s := _section(table, p))] for name, table in TABLES.items()}
    lines = [_HEAD]
    for name, found in sections.items():
        for section in found:
            lines += [*section_lines(section, several=len(found) > 1), ""]
        if not found:
            needed = "this table must be there" if TABLES[name].required else "the report says what it cannot show"
            lines += [f"# {name}: no file found that holds it; {needed}.", ""]
    lines += _rest(looks, sections, unread)
    return "\n".join(lines).rstrip() + "\n"


def _section(table: Table, profile: Profile) -> Section | None:
    section = Section(table, profile, guess_columns(table, profile), {}, {})
    if table.name == "targets":
        _take_target_range(section)
    if table.name == "readings" and "spo2_percent" not in section.columns:
        _take_long_form(section)
    if not all(any(name in section.columns for name in names) for names in _TELLING[table.name]):
        return None
    for column in table.columns:
        if column.kind is Kind.CODE and column.name in section.columns:
            cells = profile.cells(section.columns[column.name].names[0])
            guessed = {word: guessed_code(word, column) for word in _words(cells, table, column)}
            section.codes[column.name] = {word: code or "" for word, code in guessed.items()}
    if table.name == "devices":
        _take_printed_concentration(section)
    return section


def _words(cells: pl.Series, table: Table, column: Column) -> list[str]:
    """The different words of a column of codes that may be repeated, the most frequent first."""
    counted = cells.value_counts(sort=True)
    if counted.height > _MOST_CODES:
        return []
    words = [word for word in counted[cells.name].to_list() if may_be_shown(word, table.name, column.name)]
    return words[:_MOST_CODES_LISTED]


def _take_target_range(section: Section) -> None:
    if {"lower_percent", "upper_percent"} <= set(section.columns):
        return
    found = guess_target_range(section.profile)
    if found:
        header, limits = found
        for place, name in enumerate(("lower_percent", "upper_percent")):
            section.columns[name] = Guess((header,), 1.0, None)
            section.codes[name] = {word: pair[place] for word, pair in limits.items()}


def _take_long_form(section: Section) -> None:
    """One observation a row: its kind in one column, its value in another."""
    profile = section.profile
    used = {name for guess in section.columns.values() for name in guess.names}
    for kind in profile.look.columns:
        words = [word for word in profile.cells(kind).unique().to_list() if SPO2_PATTERN.search(word.lower())]
        words = sorted(word for word in words if may_be_shown(word, "readings", "source"))
        free = [name for name in profile.look.columns if name not in {*used, kind}]
        values = [name for name in free if _is_named(name, VALUE_WORDS)]
        if words and values and kind not in used and _is_named(kind, KIND_WORDS):
            section.columns["spo2_percent"] = Guess((values[0],), 1.0, None)
            section.only[kind] = words
            return


def _take_printed_concentration(section: Section) -> None:
    """The concentration of an air-entrainment valve often stands in the name of the device only."""
    printed = {word: found for word in section.codes.get("device", {}) if (found := printed_concentration(word))}
    if printed and "fio2_fraction" not in section.columns:
        section.columns["fio2_fraction"] = Guess(section.columns["device"].names, 1.0, None)
        section.codes["fio2_fraction"] = {**printed, "*": ""}


def _is_named(header: str, words: tuple[str, ...]) -> bool:
    return max(alike(header, word) for word in words) >= 0.9


def _rest(looks: list[Look], sections: dict[str, list[Section]], unread: dict[str, str]) -> list[str]:
    """What the mapping leaves alone, as comments."""
    lines = []
    for look in looks:
        files = listed([in_comment(name) for name in look.names], shown=3)
        here = [s for found in sections.values() for s in found if s.profile.look.names == look.names]
        used = {name for s in here for guess in s.columns.values() for name in guess.names} | {
            h for s in here for h in s.only
        }
        bad = [name for name in look.columns if is_identifying(name)]
        if here and bad:
            lines.append(
                f"# {files}: these columns stop a load, take them out of the export: {', '.join(map(in_comment, bad))}."
            )
        unused = [n for n in look.columns if n not in used and n not in bad and may_be_shown(n, "stays", "site")]
        if here and unused:
            lines.append(f"# {files}: columns not used: {', '.join(unused)}.")
        if not here:
            # The first row may be a row of data, so nothing of it is repeated.
            lines.append(f"# {files}: not understood ({len(look.columns)} columns). Is its first row a header?")
    lines += [f"# {in_comment(name)}: not read; {why}." for name, why in unread.items()]
    return lines
