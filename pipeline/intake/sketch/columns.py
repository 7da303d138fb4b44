"""Guesses which column of a hospital's file is which column of a table of the extract, by its name and its values."""

import re
from collections.abc import Mapping, Set
from dataclasses import dataclass, field, replace
from difflib import SequenceMatcher

import polars as pl

from pipeline.errors import IdentifierError
from pipeline.intake.mapping.rows import in_own_unit
from pipeline.intake.mapping.values import UNITS
from pipeline.intake.privacy import refuse_identifying_columns
from pipeline.intake.sketch.files import Look
from pipeline.intake.sketch.times import TimeGuess, guess_times
from pipeline.intake.sketch.words import COLUMN_WORDS, MISSING_WORDS, TARGET_RANGE_WORDS, guessed_code
from pipeline.vocabulary import Column, Kind, Table

_LEAST_SCORE = 0.55
_SURE_SCORE = 0.9
_SHARE_THAT_FITS = 0.5
_SHARE_OF_WORDS = 0.1
_LETTERS_TO_BE_SIMILAR = 6
_FILLERS = {
    "id",
    "no",
    "nr",
    "num",
    "number",
    "key",
    "code",
    "value",
    "percent",
    "pct",
    "kpa",
    "mmhg",
    "of",
    "the",
    "at",
}
_TARGET_RANGE = "^([0-9]{2,3}) ?(?:-|\u2013|to) ?([0-9]{2,3}) ?%?$"
# Where the values fit both units: a middle value above this is in mmHg. Common practice, no source.
_MMHG_ABOVE = {"pco2_kpa": 18.0, "po2_kpa": 35.0}


@dataclass(frozen=True)
class Guess:
    """What one column of the extract may be made of.

    names: columns of the hospital. score: how alike the names are, 1 for the same. fits: share of the cells seen that
    the column can hold, None where no cell is filled in. unit: where it is another than in the extract.
    times: how a time is written.
    """

    names: tuple[str, ...]
    score: float
    fits: float | None
    unit: str | None = None
    times: TimeGuess | None = None


@dataclass
class Profile:
    """What was seen in files with the same columns: times by column, decimal comma, words for empty cells."""

    look: Look
    times: dict[str, TimeGuess] = field(default_factory=dict)
    decimal: str = "."
    missing: list[str] = field(default_factory=list)

    def cells(self, name: str) -> pl.Series:
        """The filled cells of a column, decimal commas as points."""
        cells = self.look.cells[name].drop_nulls()
        cells = cells.filter(~cells.str.to_lowercase().is_in(self.missing))
        return cells.str.replace(r"^([+-]?\d*),(\d+)$", "$1.$2") if self.decimal == "," else cells


def profile_of(look: Look) -> Profile:
    """Looks at every column once; those that would identify people by their name are left alone."""
    look = replace(look, columns=[name for name in look.columns if not is_identifying(name)])
    profile = Profile(look, missing=list(MISSING_WORDS))
    profile.times = {name: guess for name in look.columns if (guess := guess_times(profile.cells(name)))}
    commas = sum(look.cells[name].str.contains(r"^[+-]?\d+,\d+$").sum() or 0 for name in look.columns)
    points = sum(look.cells[name].str.contains(r"^[+-]?\d+\.\d+$").sum() or 0 for name in look.columns)
    profile.decimal = "," if commas > points else "."
    return profile


def is_identifying(name: str) -> bool:
    """Whether a column of this name would stop a load."""
    try:
        refuse_identifying_columns("", [name])
    except IdentifierError:
        return True
    return False


def guess_columns(table: Table, profile: Profile) -> dict[str, Guess]:
    """The best guess for each column of a table, the surest first; a column of the hospital serves one of them."""
    candidates = [
        (guess, column)
        for column in table.columns
        for guess in _candidates(column, COLUMN_WORDS[table.name][column.name], profile)
        if guess.score >= _LEAST_SCORE and (guess.fits is None or guess.fits >= _needed_fit(column, guess))
    ]
    candidates.sort(key=lambda item: (-item[0].score, -(item[0].fits or 0)))
    found: dict[str, Guess] = {}
    used: set[str] = set()
    for guess, column in candidates:
        if column.name not in found and not used & set(guess.names):
            found[column.name] = guess
            used |= set(guess.names)
    return _same_unit_of_gases(found)


def _needed_fit(column: Column, guess: Guess) -> float:
    # Where the name says so, it is enough that some words of a hospital's own are understood.
    return _SHARE_OF_WORDS if column.kind is Kind.CODE and guess.score >= _SURE_SCORE else _SHARE_THAT_FITS


def _candidates(column: Column, words: tuple[str, ...], profile: Profile) -> list[Guess]:
    names = [column.name.replace("_", " "), *words]
    fillers = _FILLERS | ({"date", "time"} if column.kind is Kind.TIME else set())
    scores = {header: max(alike(header, name, fillers) for name in names) for header in profile.look.columns}
    if column.kind is Kind.TIME:
        return _time_candidates(scores, profile)
    return [
        _judged(column, header, score, profile)
        for header, score in scores.items()
        if score >= _LEAST_SCORE and header not in profile.times
    ]


def _time_candidates(scores: Mapping[str, float], profile: Profile) -> list[Guess]:
    whole = [Guess((name,), scores[name], 1.0, times=g) for name, g in profile.times.items() if g.what == "time"]
    dates = [name for name, g in profile.times.items() if g.what == "date"]
    clocks = [name for name, g in profile.times.items() if g.what == "clock"]
    # Slightly less sure than one column of the same name.
    pairs = [
        Guess((date, clock), max(scores[date], scores[clock]) - 0.01, 1.0, times=_joined(profile, date, clock))
        for date in dates
        for clock in clocks
    ]
    empty = [Guess((name,), score, None) for name, score in scores.items() if profile.cells(name).is_empty()]
    return whole + pairs + empty


def _joined(profile: Profile, date: str, clock: str) -> TimeGuess:
    day, time = profile.times[date], profile.times[clock]
    formats = tuple(f"{d} {t}" for d in day.formats or ("%Y-%m-%d",) for t in time.formats or ("%H:%M",))
    is_iso = all(re.fullmatch(r"%Y-%m-%d %H:%M(:%S(%\.f)?)?", text) for text in formats)
    return TimeGuess("time", () if is_iso else formats, day.first, day.second)


def _judged(column: Column, header: str, score: float, profile: Profile) -> Guess:
    cells = profile.cells(header)
    if cells.is_empty():
        return Guess((header,), score, None)
    if column.kind is Kind.NUMBER:
        return _judged_number(column, header, score, cells)
    fits = 1.0
    if column.kind is Kind.CODE:
        words = cells.value_counts().iter_rows()
        fits = sum(rows for word, rows in words if guessed_code(word, column)) / len(cells)
    elif column.kind is Kind.KEY:
        # A word that is the same all over, or a decimal fraction, is no key.
        fits = 0.0 if cells.str.contains(r"^\d+\.\d*[1-9]\d*$").any() else 1.0
    return Guess((header,), score, fits)


def _judged_number(column: Column, header: str, score: float, cells: pl.Series) -> Guess:
    numbers = cells.cast(pl.Float64, strict=False)
    units = UNITS.get(column.name, ("",))
    fits = {unit: _share_in_range(numbers, column, unit) for unit in units}
    unit = max(units, key=lambda name: fits[name])
    if column.name in _MMHG_ABOVE and min(fits.values()) >= _SHARE_THAT_FITS:
        middle = numbers.median()
        unit = units[1] if isinstance(middle, float) and middle > _MMHG_ABOVE[column.name] else units[0]
    return Guess((header,), score, fits[unit], unit if unit != units[0] else None)


def _share_in_range(numbers: pl.Series, column: Column, unit: str) -> float:
    number = in_own_unit(pl.col("n"), column.name, unit) if unit else pl.col("n")
    values = pl.DataFrame({"n": numbers}).select(number).to_series()
    in_range = values.is_not_null()
    if column.lowest is not None and column.highest is not None:
        in_range = values.is_between(column.lowest, column.highest).fill_null(False)
    return float(in_range.mean() or 0.0)  # type: ignore[arg-type]


def _same_unit_of_gases(found: dict[str, Guess]) -> dict[str, Guess]:
    """pO2 fits both units more often than pCO2; one analyser writes both alike."""
    if "pco2_kpa" in found and "po2_kpa" in found and found["pco2_kpa"].fits is not None:
        po2 = found["po2_kpa"]
        found["po2_kpa"] = Guess(po2.names, po2.score, po2.fits, found["pco2_kpa"].unit)
    return found


def guess_target_range(profile: Profile) -> tuple[str, dict[str, tuple[int, int]]] | None:
    """A column with targets such as 88-92 in one cell, and its different values with their limits."""
    for header in profile.look.columns:
        cells = profile.cells(header)
        limits = cells.str.extract_groups(_TARGET_RANGE).struct.unnest()
        known = cells.filter(limits["1"].is_not_null()).unique(maintain_order=True).to_list()
        is_named = max(alike(header, word) for word in TARGET_RANGE_WORDS) >= _LEAST_SCORE
        if is_named and known and limits["1"].is_not_null().mean() >= _SHARE_THAT_FITS:  # type: ignore[operator]
            found = {value: re.fullmatch(_TARGET_RANGE, value) for value in known}
            return header, {value: (int(m[1]), int(m[2])) for value, m in found.items() if m}
    return None


def alike(header: str, name: str, fillers: Set[str] = _FILLERS) -> float:
    """How alike a header and a name in plain words are: 1 for the same, 0 for nothing in common.

    fillers: words that make no difference where others stand beside them.
    """
    written, wanted = plain_words(header), name.split()
    short = [word for word in written if word not in fillers] or written
    wanted = [word for word in wanted if word not in fillers] or wanted
    if written == name.split() or short == wanted:
        return 1.0
    if set(wanted) <= set(short):
        # The more of the header the name explains, the better.
        return 0.6 + 0.3 * len(" ".join(wanted)) / len(" ".join(short))
    one, other = "".join(short), "".join(wanted)
    if one == other:
        return 0.95
    if min(len(one), len(other)) >= _LETTERS_TO_BE_SIMILAR and SequenceMatcher(None, one, other).ratio() >= 0.85:
        return 0.6
    return 0.0


def plain_words(header: str) -> list[str]:
    """The words of a header in small letters, what stands in brackets apart; "O2Sat" is "o2 sat"."""
    text = re.sub(r"[(\[].*?[)\]]", " ", header)
    text = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z]{3})(?=[A-Z]{2})", " ", text).lower()
    text = text.replace("spo₂", "spo2").replace("date/time", "time").replace("datetime", "time").replace("dttm", "time")
    return re.sub(r"[^\w]+|_+", " ", text).split() or [header.lower()]
