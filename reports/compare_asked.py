"""What a comparison is asked for: two months, wards or sites of a store, or several stores, told apart by their names.

Every mistake is answered with what is wrong, the nearest right names and what to type. Names of wards and sites are the
only values of the store that a message holds.
"""

import difflib
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from os.path import isfile
from pathlib import Path

import duckdb

from pipeline.errors import AuditError, listed
from reports import wording

MONTH, WARD, SITE, STORE = "month", "ward", "site", "store"
KINDS = (MONTH, WARD, SITE, STORE)
MOST_STORES = 6
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")
_NAMES_LISTED = 15
_LONGEST_SHOWN = 60


@dataclass(frozen=True)
class Asked:
    """kind: month, ward, site or store. names: as the store has them, in the order given; of stores the other files."""

    kind: str
    names: tuple[str, ...]


def what_is_asked(con: duckdb.DuckDBPyConnection, names: Sequence[str], store: Path, month: str | None) -> Asked:
    """Finds out what the names mean. con: the store given with --store, loaded; it need not be measured.

    A name may say itself what it is: `ward:Alder`. Raises AuditError when a name is unknown or means two things, when
    the names are of different kinds, when there are too few or too many, or when --month does not go with them.
    """
    known = {
        WARD: _distinct(con, "select distinct ward from wards"),
        SITE: _distinct(con, "select distinct site from stays where site is not null"),
    }
    meanings = {name: _meanings(name, known) for name in names}
    unknown = [name for name, found in meanings.items() if not found]
    if unknown:
        raise AuditError(_unknown(unknown, known))
    shared = set.intersection(*(set(found) for found in meanings.values()))
    if len(shared) > 1:
        kinds = [kind for kind in KINDS if kind in shared]
        raise AuditError(
            f"{_names(names)} can mean a {' or a '.join(kinds)}. Say which, for example: "
            f"--compare {' '.join(_typed(f'{kinds[0]}:{_without_kind(name)}') for name in names)}"
        )
    if not shared:
        each = "; ".join(f"{shown_name(name)} is a {' or a '.join(found)}" for name, found in meanings.items())
        raise AuditError(
            f"The names given with --compare are not of one kind: {each}. Like is compared with like: give two months, "
            "two wards, two sites, or other stores."
        )
    [kind] = shared
    asked = Asked(kind, tuple(meanings[name][kind] for name in names))
    _check_number(asked, known, store, month)
    return asked


def _distinct(con: duckdb.DuckDBPyConnection, query: str) -> list[str]:
    return sorted((name for (name,) in con.execute(query).fetchall()), key=lambda name: (name.casefold(), name))


def _meanings(name: str, known: Mapping[str, Collection[str]]) -> dict[str, str]:
    """What a name can mean: the thing itself by its kind."""
    found = {kind: name for kind in (WARD, SITE) if name in known[kind]}
    if _MONTH.fullmatch(name):
        found[MONTH] = name
    kind, colon, rest = name.partition(":")
    says_its_kind = bool(colon and rest and kind in KINDS)
    if isfile(name) or (name.endswith(".duckdb") and not says_its_kind):
        found[STORE] = name
    if found:
        return found
    if says_its_kind:
        is_one = {MONTH: _MONTH.fullmatch(rest) is not None, STORE: True}.get(kind, rest in known.get(kind, ()))
        return {kind: rest} if is_one else {}
    return {}


def _check_number(asked: Asked, known: Mapping[str, Sequence[str]], store: Path, month: str | None) -> None:
    count, kind, names = len(asked.names), asked.kind, asked.names
    twice = [name for place, name in enumerate(names) if name in names[:place]]
    if twice:
        raise AuditError(
            f"{shown_name(twice[0])} is given twice with --compare: there is nothing to compare. Name another."
        )
    if kind == STORE:
        if count >= MOST_STORES:
            raise AuditError(
                f"{count + 1} stores are given; one page holds up to {MOST_STORES}. Compare some of them at a time."
            )
        return
    if count == 1:
        raise AuditError(
            f"--compare needs two {kind}s, and one was given. Name both, for example: --compare "
            f"{' '.join(map(_typed, _with_another(asked, known, month)))}"
        )
    if count > 2:
        where = {
            MONTH: " For many months see Month by month in the report.",
            WARD: " For all see By ward in the report.",
        }
        raise AuditError(f"--compare takes two {kind}s, and {count} were given.{where.get(kind, '')} Name two of them.")
    if kind == MONTH and month:
        raise AuditError(
            "--month does not go with two months to compare: they are the months. Leave --month out: "
            f"bandaudit report --store {store} --compare {' '.join(names)} --out FOLDER"
        )


def _with_another(asked: Asked, known: Mapping[str, Sequence[str]], month: str | None) -> list[str]:
    """The name given and one that could stand beside it."""
    [name] = asked.names
    if asked.kind == MONTH:
        return sorted((name, month if month and month != name else wording.month_before(name)))
    return [name, next((other for other in known[asked.kind] if other != name and other.isprintable()), "ANOTHER")]


def _unknown(unknown: Sequence[str], known: Mapping[str, Sequence[str]]) -> str:
    of_all = {name.casefold(): name for kind in (SITE, WARD) for name in known[kind]}
    near = {
        name: [of_all[each] for each in difflib.get_close_matches(_without_kind(name).casefold(), of_all, n=3)]
        for name in unknown
    }
    hints = [
        f" Nearest to {shown_name(name)}: {', '.join(shown_name(each) for each in found)}."
        for name, found in near.items()
        if found
    ]
    listings = [
        f" {kind.capitalize()}s of this store: {listed([shown_name(name) for name in known[kind]], _NAMES_LISTED)}."
        if known[kind]
        else f" This store holds no {kind}s."
        for kind in (WARD, SITE)
    ]
    return (
        f"--compare does not know {_names(unknown)}: not a ward or site of this store, not a month (written 2026-06), "
        f"not a store file.{''.join(hints)}{''.join(listings)} Write each name as the report does, one after the "
        'other, in quotation marks where it has spaces: --compare "Ward A" "Ward B"'
    )


def _without_kind(name: str) -> str:
    kind, colon, rest = name.partition(":")
    return rest if colon and kind in KINDS else name


def _names(names: Sequence[str]) -> str:
    return ", ".join(shown_name(name) for name in names)


def _typed(name: str) -> str:
    return f'"{shown_name(name)}"' if re.search(r"[^\w:.-]", name) else name


def shown_name(name: str) -> str:
    """A name as it may be put on a screen: no control characters, not endless."""
    plain = "".join(sign if sign.isprintable() else " " for sign in name)
    return plain if len(plain) <= _LONGEST_SHOWN else f"{plain[:_LONGEST_SHOWN]}…"
