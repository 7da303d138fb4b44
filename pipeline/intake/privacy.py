"""Stops a load that carries direct identifiers: by column name, and by what values look like.

Only file, column and row numbers are ever named, never a value. Telephone, post code and e-mail shapes are common
practice, no source; the check digit of the NHS number is modulus 11 with weights 10 to 2 (NHS data dictionary).
"""

import re
from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import IdentifierError, listed
from pipeline.vocabulary import Kind, Table

_IDENTIFYING_NAMES = re.compile(
    r"(?:^|_)(?:name|names|forename|surname|firstname|lastname|initials|dob|birth|birthdate|birthday|postcode|zip|"
    r"zipcode|address|telephone|phone|mobile|fax|email|mail|nhs|nhsnumber|chi|ssn|mrn|passport|photo|"
    r"comment|comments|note|notes|narrative|remarks|freetext)(?:_|$)"
)
_JOINED_NAMES = ("hospital_number", "hospital_no", "national_id", "free_text", "date_of_birth", "patient_number")

_WHOLE_DATE = r"^(?:\d{4}-\d{1,2}-\d{1,2}|\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4})$"
_LOOKS = {
    "an e-mail address": r"[^@\s]+@[^@\s]+\.[A-Za-z]{2,}",
    "a full UK postcode": r"(?i)\b[a-z]{1,2}\d[a-z\d]? \d[a-z]{2}\b",
    "a telephone number": r"^\+\d[\d ()-]{8,16}\d$|^\(?0[1-37-9]\d{1,4}\)?[ -]\d{3,4}[ -]?\d{3,4}$|^07\d{9}$",
    "free text": r"^.{80,}$|^(?:\S+\s+){8,}\S+",
}
# Short pseudonyms can look like these, so keys are not searched for them.
_LOOKS_OUTSIDE_KEYS = {
    "a full date": _WHOLE_DATE,
    "a full UK postcode (written together)": r"(?i)^[a-z]{1,2}\d[a-z\d]?\d[a-z]{2}$",
}
_TEN_DIGITS = r"^\d{3}[ -]?\d{3}[ -]?\d{4}$"
_NHS_NUMBER = "a national patient number"
# A ten-digit pseudonym passes the check digit by chance once in eleven; a column of real numbers always does.
_SHARE_PASSING = 0.5


@dataclass
class IdentifierSearch:
    """What was found so far in one file: for each column and look, the row numbers."""

    found: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    ten_digit_rows: dict[str, int] = field(default_factory=dict)


def refuse_identifying_columns(file_name: str, columns: list[str]) -> None:
    """Raises IdentifierError naming every column whose name says that it is a direct identifier."""
    bad = [name for name in columns if _is_identifying(name)]
    if bad:
        raise IdentifierError(
            f"The file {file_name} has {'a column' if len(bad) == 1 else 'columns'} that by name would identify people "
            f"or hold free text: {listed(bad)}. The audit works on pseudonyms only. Remove "
            f"{'it' if len(bad) == 1 else 'them'} from the export and load again; nothing was stored."
        )


def _is_identifying(name: str) -> bool:
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    return bool(_IDENTIFYING_NAMES.search(plain)) or any(joined in plain for joined in _JOINED_NAMES)


def search_identifiers(piece: pl.DataFrame, table: Table, search: IdentifierSearch) -> None:
    """Adds to `search` the rows of a piece whose cells look like a direct identifier.

    Numbers and times of the table are typed elsewhere and not searched; every other column is, known or not.
    """
    typed = {column.name for column in table.columns if column.kind in (Kind.NUMBER, Kind.TIME)}
    for name in piece.columns:
        if name in typed or name == "row_number":
            continue
        distinct = piece.lazy().select(pl.col(name)).unique().collect()
        looks = dict(_LOOKS)
        if name in table.column_names and table.column(name).kind is not Kind.KEY:
            looks |= _LOOKS_OUTSIDE_KEYS
        for look, pattern in looks.items():
            if distinct.select(pl.col(name).str.contains(pattern).any()).item():
                _note(search, name, look, piece.filter(pl.col(name).str.contains(pattern)))
        ten = piece.filter(pl.col(name).str.contains(_TEN_DIGITS))
        if ten.height:
            search.ten_digit_rows[name] = search.ten_digit_rows.get(name, 0) + ten.height
            _note(search, name, _NHS_NUMBER, ten.filter(has_right_check_digit(pl.col(name))))


def _note(search: IdentifierSearch, column: str, look: str, rows: pl.DataFrame) -> None:
    if rows.height:
        search.found.setdefault((column, look), []).extend(rows["row_number"].to_list())


def has_right_check_digit(number: pl.Expr) -> pl.Expr:
    """Whether ten digits (blanks and hyphens allowed) form a valid NHS number.

    The last digit is 11 minus the remainder of the weighted sum (weights 10 to 2) by 11; 11 counts as 0 and 10 is
    never valid. Source: NHS data dictionary.
    """
    digits = number.str.replace_all(r"[ -]", "")
    weighted = pl.sum_horizontal(
        digits.str.slice(place, 1).cast(pl.Int32, strict=False) * (10 - place) for place in range(9)
    )
    check = (11 - weighted % 11) % 11
    return (check != 10) & (check == digits.str.slice(9, 1).cast(pl.Int32, strict=False))


def refuse_identifiers(file_name: str, search: IdentifierSearch) -> None:
    """Raises IdentifierError naming column and rows of everything that was found in the file."""
    lines = []
    for (column, look), rows in search.found.items():
        if look == _NHS_NUMBER and len(rows) <= _SHARE_PASSING * search.ten_digit_rows[column]:
            continue
        lines.append(f"column {column} holds what looks like {look} (row {listed(rows)})")
    if lines:
        raise IdentifierError(
            f"The file {file_name} may identify people: {'; '.join(lines)}. The audit works on pseudonyms only. "
            "Correct the export and load the whole extract again; nothing was stored."
        )
