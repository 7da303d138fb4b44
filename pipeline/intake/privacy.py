"""Stops a load that carries direct identifiers: by column name, and by what values look like.

Only file, column and row numbers are ever named, never a value. Telephone, postcode, name and e-mail shapes are common
practice, no source; the check digit of the NHS number is modulus 11 with weights 10 to 2 (NHS data dictionary), and
the Scottish CHI number and the Northern Irish health and care number have the same.
"""

import re
from dataclasses import dataclass, field
from functools import cache

import polars as pl

from pipeline.errors import IdentifierError, listed
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.read import as_text
from pipeline.intake.tally import Tally
from pipeline.vocabulary import Kind, Table

_IDENTIFYING_WORDS = re.compile(
    r"(?:^|_)(?:name|names|forename|forenames|surname|initials|dob|birth|birthdate|birthday|born|postcode|zip|zipcode|"
    r"address|street|tel|telephone|phone|mobile|fax|email|mail|nhs|chi|ssn|mrn|passport|photo|kin|"
    r"comment|comments|note|notes|narrative|remark|remarks|freetext)(?:_|$)"
)
# Found wherever they stand, since exports run words together.
_IDENTIFYING_PARTS = (
    "birthdate",
    "dateofbirth",
    "emailaddress",
    "familyname",
    "firstname",
    "forename",
    "freetext",
    "fullname",
    "givenname",
    "hospitalno",
    "hospitalnumber",
    "lastname",
    "nationalid",
    "nationalinsurance",
    "nhsno",
    "nhsnumber",
    "patientname",
    "patientnumber",
    "phonenumber",
    "postalcode",
    "postcode",
    "surname",
)
# Names of places and things.
_HARMLESS = re.compile(r"(?:^|_)(?:ward|site|unit|hospital|specialty|device|table|file|column|flag)_name(?=_|$)")

_NO_TIME = r"(?:[T ]00:00(?::00(?:\.0+)?)?)?"
_ISO_DATE = rf"^(?:19|20)\d{{2}}-[01]\d-[0-3]\d{_NO_TIME}$"
_SLASHED_DATE = r"^[0-3]?\d/[01]?\d/(?:19|20)\d{2}$"
_LOOSE_DATE = r"^\d{4}-\d{1,2}-\d{1,2}$|^\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}$"
_WORDS_OF_FREE_TEXT = r"(?:\S+\s+){8,}\S"
_LENGTH_OF_FREE_TEXT = 80
# "2nd" behind a ward's letter and digit has the shape of the second half of a postcode.
_ORDINAL = r"(?i)\b(?:1st|2nd|3rd|\dth)\b"
_SHARE_BEYOND_CHANCE = 0.5


@cache
def _looks(kind: Kind | None) -> list[tuple[str, pl.Expr]]:
    """What a cell of a column of this kind (None: not a column of the audit) must not look like."""
    cell = pl.col("cell")
    is_long = cell.str.len_chars() >= _LENGTH_OF_FREE_TEXT
    looks = [
        ("an e-mail address", cell.str.contains(r"[^@\s]+@[^@\s]+\.[A-Za-z]{2,}")),
        (
            "a full UK postcode",
            cell.str.replace_all(_ORDINAL, "").str.contains(r"(?i)\b[a-z]{1,2}\d[a-z\d]? \d[a-z]{2}\b"),
        ),
        ("a telephone number", cell.str.contains(r"^\+\d[\d ()-]{8,16}\d$")),
        ("a person's name", cell.str.contains(r"(?i)^(?:mr|mrs|ms|miss)\.? \p{L}")),
        ("free text", cell.str.contains(_WORDS_OF_FREE_TEXT) | (is_long & cell.str.contains(r"\s"))),
    ]
    if kind is Kind.KEY:
        two_words = r"^[\p{L}'\x{2019}-]{2,}(?:, ?| )[\p{L}'\x{2019}.-]+(?: [\p{L}'\x{2019}.-]+)*$"
        looks.append(("a person's name", cell.str.contains(two_words)))
        looks.append(("a full date", cell.str.contains(f"{_ISO_DATE}|{_SLASHED_DATE}")))
    if kind in (Kind.TEXT, Kind.CODE):
        # Short pseudonyms can look like these, so keys are not searched for them.
        looks.append(("a full date", cell.str.contains(f"{_ISO_DATE}|{_LOOSE_DATE}")))
        looks.append(("a full UK postcode", cell.str.contains(r"(?i)^[a-z]{1,2}\d[a-z\d]?\d[a-z]{2}$")))
    return looks


@cache
def _looks_by_chance() -> list[tuple[str, pl.Expr, pl.Expr]]:
    """What a pseudonym of digits can look like by chance: the look, whether it has the shape, whether it looks so.

    One in eleven random numbers of ten digits passes the check digit; a column of real ones always does.
    """
    cell = pl.col("cell")
    ten = cell.str.contains(r"^(?:[A-Za-z]{1,4}[ :-]?)?\d{3}[ -]?\d{3}[ -]?\d{4}$")
    eleven = cell.str.contains(r"^\d{11}$")
    grouped = cell.str.contains(r"^\(?\d{2,5}\)?[ -]\d{3,4}[ -]?\d{3,4}$")
    return [
        ("a national patient number", ten, ten & has_right_check_digit(cell)),
        ("a telephone number", eleven, eleven & cell.str.contains(r"^0[1237]")),
        ("a telephone number with blanks", grouped, grouped & cell.str.contains(r"^\(?0[1-37-9]")),
    ]


def has_right_check_digit(number: pl.Expr) -> pl.Expr:
    """Whether ten digits (blanks, hyphens and letters before them allowed) form a valid NHS number.

    The last digit is 11 minus the remainder of the weighted sum (weights 10 to 2) by 11; 11 counts as 0 and 10 is
    never valid. Source: NHS data dictionary.
    """
    digits = number.str.replace_all(r"[^0-9]", "")
    weighted = pl.sum_horizontal(
        digits.str.slice(place, 1).cast(pl.Int32, strict=False) * (10 - place) for place in range(9)
    )
    check = (11 - weighted % 11) % 11
    return (check != 10) & (check == digits.str.slice(9, 1).cast(pl.Int32, strict=False))


@dataclass
class IdentifierSearch:
    """What was found so far in one file: rows by place and look; for looks that chance can give, also the number of
    distinct values that have the shape, and of those that look so."""

    found: dict[tuple[str, str], Tally] = field(default_factory=dict)
    shaped: dict[tuple[str, str], int] = field(default_factory=dict)
    looking_so: dict[tuple[str, str], int] = field(default_factory=dict)


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
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name)
    plain = re.sub(r"[^a-z0-9]+", "_", words.lower()).strip("_")
    plain = _HARMLESS.sub("", plain)
    joined = plain.replace("_", "")
    return bool(_IDENTIFYING_WORDS.search(plain)) or any(part in joined for part in _IDENTIFYING_PARTS)


def search_identifiers(piece: pl.DataFrame, rows: pl.DataFrame, table: Table, search: IdentifierSearch) -> None:
    """Adds to `search` the rows of a piece whose cells look like a direct identifier.

    piece: the cells as read; every column is searched, known or not. rows: the same typed. Numbers and times are
    searched only in rows that broke a rule: these are stored as they were read, the others as numbers and times.
    """
    broken = rows.filter(pl.col("rule").is_not_null()).select("row_number")
    for name, dtype in piece.drop("row_number").schema.items():
        if not (dtype == pl.String or dtype == pl.Categorical or dtype.is_numeric()):
            continue
        kind = table.column(name).kind if name in table.column_names else None
        cells = piece.select("row_number", cell=as_text(name, dtype)).drop_nulls()
        if kind in (Kind.NUMBER, Kind.TIME):
            cells, kind = cells.join(broken, on="row_number", how="semi"), None
        _search_cells(cells, f"column {name}", kind, search)


def search_ragged_rows(ragged: list[RaggedRow], search: IdentifierSearch) -> None:
    """Adds to `search` the rows of other lengths than the header whose text looks like a direct identifier."""
    rows = pl.DataFrame({"row_number": [row.row_number for row in ragged], "cell": [row.text for row in ragged]})
    place = "a row of another length than the header"
    cells = rows.with_columns(pl.col("cell").str.split(",")).explode("cell")
    _search_cells(cells.with_columns(pl.col("cell").str.strip_chars(' "')), place, None, search)
    # Free text with commas in it is what most often makes a row too long.
    _note(search, place, "free text", rows.filter(pl.col("cell").str.contains(_WORDS_OF_FREE_TEXT)))


def _search_cells(cells: pl.DataFrame, place: str, kind: Kind | None, search: IdentifierSearch) -> None:
    values = cells.select("cell").unique()
    looks, by_chance = _looks(kind), _looks_by_chance()
    met = values.select(
        *(looks_so.any().alias(f"look {n}") for n, (_, looks_so) in enumerate(looks)),
        *(has_shape.any().alias(f"shape {n}") for n, (_, has_shape, _) in enumerate(by_chance)),
    ).row(0, named=True)
    for n, (look, looks_so) in enumerate(looks):
        if met[f"look {n}"]:
            _note(search, place, look, cells.filter(looks_so))
    for n, (look, has_shape, looks_so) in enumerate(by_chance):
        if met[f"shape {n}"]:
            found = values.filter(looks_so)
            search.shaped[place, look] = search.shaped.get((place, look), 0) + values.filter(has_shape).height
            search.looking_so[place, look] = search.looking_so.get((place, look), 0) + found.height
            _note(search, place, look, cells.join(found, on="cell", how="semi"))


def _note(search: IdentifierSearch, place: str, look: str, rows: pl.DataFrame) -> None:
    if rows.height:
        search.found.setdefault((place, look), Tally()).add(rows["row_number"].unique(maintain_order=True))


def refuse_identifiers(file_name: str, search: IdentifierSearch) -> None:
    """Raises IdentifierError naming column and rows of everything that was found in the file."""
    lines = [
        f"{place} holds what looks like {look} ({rows})"
        for (place, look), rows in search.found.items()
        if not _may_be_chance(search, place, look)
    ]
    if lines:
        raise IdentifierError(
            f"The file {file_name} may identify people: {'; '.join(lines)}. The audit works on pseudonyms only. "
            "Correct the export and load the whole extract again; nothing was stored."
        )


def _may_be_chance(search: IdentifierSearch, place: str, look: str) -> bool:
    if (place, look) not in search.shaped:
        return False
    return search.looking_so[place, look] <= _SHARE_BEYOND_CHANCE * search.shaped[place, look]
