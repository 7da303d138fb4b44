"""Checks the single values of a mapping file: each function returns the value as it is used, or raises ValueError.

The texts of the errors stand behind the place of the value ("must be …") and repeat nothing but the mapping file.
"""

import codecs
import re
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import Any

from pipeline.vocabulary import Column, Kind

# Column -> units it can be declared in; the first is the one in which the extract has it.
UNITS: Mapping[str, tuple[str, ...]] = {
    "spo2_percent": ("percent", "fraction"),
    "lower_percent": ("percent", "fraction"),
    "upper_percent": ("percent", "fraction"),
    "fio2_fraction": ("fraction", "percent"),
    "pco2_kpa": ("kPa", "mmHg"),
    "po2_kpa": ("kPa", "mmHg"),
    "ph": ("pH", "nmol/L"),
}
EXCEL_SERIAL = "excel_serial"
ANY_OTHER_WORD = "*"

_SPELLINGS = {"%": "percent", "mm[hg]": "mmhg", "nmol/l": "nmol/l"}
_DIRECTIVE = re.compile(r"%(\.f|.)?")
_DIRECTIVES = ("Y", "y", "m", "d", "b", "B", "H", "I", "M", "S", "p", "z", "T", "R", ".f")
_EXAMPLE = "such as %d/%m/%Y %H:%M"


def word_list(value: Any) -> tuple[str, ...]:
    """One text or a list of texts, none of them empty."""
    words = [value] if isinstance(value, str | int) and not isinstance(value, bool) else value
    if not isinstance(words, list) or not words:
        raise ValueError('must be a text or a list of texts, such as ["NULL", "N/A"]')
    if not all(isinstance(word, str | int) and not isinstance(word, bool) and str(word).strip() for word in words):
        raise ValueError('must hold texts only, none of them empty, such as ["NULL", "N/A"]')
    return tuple(str(word).strip() for word in words)


def file_patterns(value: Any) -> tuple[str, ...]:
    """Names of files within the folder; * stands for anything."""
    patterns = word_list(value)
    if any(re.search(r"[/\\]", pattern) for pattern in patterns):
        raise ValueError('must be names of files in the extract folder, without folders, such as ["obs_*.csv"]')
    return patterns


def hospital_columns(column: Column, value: Any) -> tuple[str, ...]:
    """The column of the hospital; for a time it may be two, the date and the time of day."""
    if isinstance(value, list) and len(value) > 1 and column.kind is not Kind.TIME:
        raise ValueError("must be one column of the hospital; only a time may be joined from two, date and time of day")
    if isinstance(value, int):
        raise ValueError('must be the name of a column of the hospital, in quotation marks, such as "Obs time"')
    return word_list(value)


def unit(column: Column, value: Any) -> str:
    """The unit as it is called here."""
    units = UNITS.get(column.name)
    if units is None:
        raise ValueError(f"has one unit only and takes no declaration; units can be declared for {', '.join(UNITS)}")
    plain = re.sub(r"\s", "", value).lower() if isinstance(value, str) else ""
    found = {name.lower(): name for name in units}.get(_SPELLINGS.get(plain, plain))
    if found is None:
        raise ValueError(f"must be {' or '.join(units)}")
    return found


def code(column: Column, value: Any) -> str:
    """What a word of the hospital stands for; empty: an empty cell."""
    if column.kind in (Kind.KEY, Kind.TIME):
        raise ValueError("keys and times have no codes; list words for empty cells under missing")
    return "" if value == "" else _held_by(column, value)


def fixed_value(column: Column, value: Any) -> str:
    """A value that the column can hold."""
    text = _held_by(column, value)
    if column.lowest is not None and column.highest is not None and not column.lowest <= value <= column.highest:
        raise ValueError(f"must be a number from {column.lowest:g} to {column.highest:g}")
    return text


def _held_by(column: Column, value: Any) -> str:
    if column.kind in (Kind.KEY, Kind.TIME):
        raise ValueError("must come from a column: a key or a time is never the same in every row")
    if isinstance(value, bool) or not isinstance(value, str | int | float) or not str(value).strip():
        raise ValueError("must be a text or a number")
    text = str(value).strip()
    if column.kind is Kind.CODE and text not in column.codes:
        near = get_close_matches(text.lower().replace(" ", "_"), column.codes, n=1)
        raise ValueError(
            f"'{text}' is no code of {column.name}{f' (perhaps {near[0]})' if near else ''}; "
            f"known: {', '.join(column.codes)}"
        )
    if column.kind is Kind.NUMBER and not isinstance(value, int | float):
        raise ValueError("must be a number, without quotation marks")
    return text


def _delimiter(value: Any) -> str:
    if not isinstance(value, str) or len(value) != 1 or value.isalnum() or value in "\"'\n\r":
        raise ValueError('must be the one sign between two columns, such as ";" or "\\t" for a tab')
    return value


def _decimal(value: Any) -> str:
    if value not in (".", ","):
        raise ValueError('must be "." or ","')
    return str(value)


def _encoding(value: Any) -> str:
    try:
        "".encode(value)
        return codecs.lookup(value).name
    except (LookupError, TypeError, ValueError):
        raise ValueError('must be the name of an encoding of text, such as "utf-16", "latin-1" or "cp1252"') from None


def _time_formats(value: Any) -> tuple[str, ...]:
    formats = tuple(_time_format(text) for text in word_list(value))
    # Year, month, day cannot be taken for anything else; the order of the others must be one.
    numeric = [text for text in formats if "%m" in text and not text.startswith("%Y")]
    if len({tuple(re.findall("%([dmyY])", text.replace("Y", "y"))) for text in numeric}) > 1:
        raise ValueError("must not list formats that have day, month and year in different orders")
    return formats


def _time_format(text: str) -> str:
    if text == EXCEL_SERIAL:
        return text
    text = text.replace(".%f", "%.f")
    found = [match[1] for match in _DIRECTIVE.finditer(text)]
    strange = [f"%{name or ''}" for name in found if name not in _DIRECTIVES]
    if strange or not found:
        known = " ".join(f"%{name}" for name in _DIRECTIVES)
        raise ValueError(f"must be {EXCEL_SERIAL} or a format {_EXAMPLE}, made of {known}")
    is_day = "d" in found and {"m", "b", "B"} & set(found) and {"Y", "y"} & set(found)
    is_clock = {"T", "R"} & set(found) or ("M" in found and ("H" in found or {"I", "p"} <= set(found)))
    if not (is_day and is_clock):
        raise ValueError(f"must have day, month, year, hour and minute, {_EXAMPLE} (%I needs %p)")
    if found[:3] == ["Y", "d", "m"]:
        raise ValueError("must not have the order year, day, month: it cannot be told from year, month, day")
    return text


def _missing(value: Any) -> tuple[str, ...]:
    return tuple(word.lower() for word in word_list(value))


# Key of a mapping file -> field of TableMapping and the check of its value.
FORM_KEYS: Mapping[str, tuple[str, Callable[[Any], Any]]] = {
    "delimiter": ("delimiter", _delimiter),
    "decimal": ("decimal", _decimal),
    "encoding": ("encoding", _encoding),
    "time_format": ("time_formats", _time_formats),
    "missing": ("missing", _missing),
}
FORM_DEFAULTS: Mapping[str, Any] = {
    "delimiter": ",",
    "decimal": ".",
    "encoding": "utf-8",
    "time_formats": (),
    "missing": (),
}
