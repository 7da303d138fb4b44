"""What was met while rows were mapped: words that the mapping does not know, and rows that belong to no table."""

import re
from collections import Counter
from dataclasses import dataclass, field

import polars as pl

from pipeline.intake.privacy import IdentifierSearch, search_identifiers
from pipeline.vocabulary import TABLES

# A column with more different words than this holds no codes; the others are counted, not kept.
_MOST_WORDS_KEPT = 1000
_MOST_WORDS_SHOWN = 20
_LONGEST_WORD_SHOWN = 40
# A concentration beside a flow has as many; dates, telephone and patient numbers have more.
_MOST_DIGITS_SHOWN = 4


@dataclass
class MappingNotes:
    """Counts made while the pieces are read.

    unknown_codes: (table, column) -> word that is neither translated nor a code of the extract -> rows.
    left_out: (file, table) -> rows of a file that are not rows of this table.
    """

    unknown_codes: dict[tuple[str, str], Counter[str]] = field(default_factory=dict)
    left_out: Counter[tuple[str, str]] = field(default_factory=Counter)
    _words_not_kept: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add_unknown_codes(self, table: str, column: str, words: pl.DataFrame) -> None:
        """Adds the words of one piece; one row per word, with its number of rows."""
        kept = self.unknown_codes.setdefault((table, column), Counter())
        for word, rows in words.iter_rows():
            if word in kept or len(kept) < _MOST_WORDS_KEPT:
                kept[word] += rows
            else:
                self._words_not_kept[table, column] += rows

    def unknown_code_lines(self, with_words: bool = True) -> list[str]:
        """One line per column with words that are not known, each word once with its rows, the most frequent first.

        Long words, and words that look like an identifier, are counted and not shown. with_words: whether any is.
        """
        lines = []
        for (table, column), words in self.unknown_codes.items():
            shown = [
                f'"{word}" ({rows:,})'
                for word, rows in _by_rows(words)[:_MOST_WORDS_SHOWN]
                if with_words and may_be_shown(word, table, column)
            ]
            rest = len(words) - len(shown)
            others = sum(words.values()) + self._words_not_kept[table, column]
            if rest:
                shown.append(f"{rest:,} more word{' that is' if rest == 1 else 's that are'} not shown")
            if words:
                lines.append(f"[{table}.codes.{column}] does not know, in {counted(others)}: {', '.join(shown)}")
        return lines

    def left_out_lines(self) -> list[str]:
        """One line per file and table of which rows were left out."""
        return [
            f"{file}: {counted(rows)} left out of {table}: nothing of it is filled in, or the mapping leaves them out"
            for (file, table), rows in self.left_out.items()
            if rows
        ]


def counted(rows: int) -> str:
    """A number of rows in words."""
    return f"{rows:,} row" + ("" if rows == 1 else "s")


def _by_rows(words: Counter[str]) -> list[tuple[str, int]]:
    return sorted(words.items(), key=lambda item: (-item[1], item[0]))


def may_be_shown(word: str, table: str, column: str) -> bool:
    """Whether a word of a column of codes can be repeated on the screen: short, and not like an identifier."""
    if len(word) > _LONGEST_WORD_SHOWN or len(re.sub(r"\D", "", word)) > _MOST_DIGITS_SHOWN or not word.isprintable():
        return False
    search = IdentifierSearch()
    piece = pl.DataFrame({"row_number": [1], column: [word]})
    rows = pl.DataFrame({"row_number": [1], "rule": [None]}, schema={"row_number": pl.Int64, "rule": pl.String})
    search_identifiers(piece, rows, TABLES[table], search)
    return not search.found
