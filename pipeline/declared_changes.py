"""What was changed on the wards, and when: read from a file that the audit team keeps, and drawn on every trend.

[baseline]                # optional: the months from which limits are made
first = "2025-07"
last = "2025-12"

[[change]]
date = 2026-01-05
what = "88-92 % preset for known CO2 retainers in the prescribing system"

[[change]]
date = 2026-03-01
ward = "Alder"            # optional: without it, the whole hospital
what = "Flow labels on all air-entrainment valves"
"""

import hashlib
import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipeline.errors import ChangesError, listed

LONGEST_TEXT = 120
_KNOWN = ("baseline", "change")
_KEYS = ("date", "what", "ward")
_SHOWN = 5
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")
_FORM = (
    "Each [[change]] has a date (2026-01-05), what (text, up to 120 characters) and, if not the whole hospital, a ward."
)


@dataclass(frozen=True, order=True)
class DeclaredChange:
    """One change: from `date` on, in `ward` (null: the whole hospital), this was done."""

    date: date
    what: str
    ward: str | None = None

    @property
    def month(self) -> str:
        """The calendar month in which it was made."""
        return f"{self.date:%Y-%m}"

    @property
    def first_whole_month(self) -> str:
        """The first calendar month that lies after it whole: its own if it was made on the first."""
        if self.date.day == 1:
            return self.month
        year, month = divmod(self.date.year * 12 + self.date.month, 12)
        return f"{year:04d}-{month + 1:02d}"


@dataclass(frozen=True)
class DeclaredChanges:
    """All changes by date, the months of the baseline (first and last, both included; null: none declared).

    fingerprint: the first twelve digits of the SHA-256 of the file; null without one.
    """

    changes: tuple[DeclaredChange, ...] = ()
    baseline: tuple[str, str] | None = None
    fingerprint: str | None = None

    def of(self, ward: str | None) -> tuple[DeclaredChange, ...]:
        """The changes that reach this ward whole (null: the hospital): its own and the hospital's."""
        return tuple(change for change in self.changes if change.ward is None or change.ward == ward)


NONE_DECLARED = DeclaredChanges()


def read_declared_changes(path: Path) -> DeclaredChanges:
    """Reads the file of changes.

    Raises ChangesError with every fault of the file in one message.
    """
    try:
        text = path.read_bytes()
        content = tomllib.loads(text.decode("utf-8"))
    except OSError as error:
        raise ChangesError(f"The file of changes {path} cannot be read: {error.strerror}. Check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ChangesError(f"The file of changes {path} is not valid TOML: {error}") from error
    faults = [f"{name}: no such table (known: baseline, change)" for name in content if name not in _KNOWN]
    entries = content.get("change", [])
    if not isinstance(entries, list):
        faults.append("change: write [[change]] with two brackets, once for each")
        entries = []
    for number, entry in enumerate(entries, start=1):
        faults += [f"change {number}: {fault}" for fault in _entry_faults(entry)]
    baseline = content.get("baseline")
    faults += [] if baseline is None else [f"baseline: {fault}" for fault in _baseline_faults(baseline)]
    if faults:
        raise ChangesError(
            f"The file of changes {path} has {len(faults)} fault{'' if len(faults) == 1 else 's'}: "
            f"{'; '.join(faults[:_SHOWN])}{_more(faults)}. {_FORM} Correct the file and run the command again."
        )
    changes = sorted(
        (DeclaredChange(entry["date"], entry["what"].strip(), entry.get("ward")) for entry in entries),
        key=lambda change: (change.date, change.ward or "", change.what),
    )
    months = None if baseline is None else (baseline["first"], baseline["last"])
    return DeclaredChanges(tuple(changes), months, hashlib.sha256(text).hexdigest()[:12])


def check_wards(declared: DeclaredChanges, wards: Iterable[str]) -> None:
    """Raises ChangesError when a change names a ward in which no time was spent. wards: as the extract writes them."""
    known = set(wards)
    unknown = [
        f"change {number}"
        for number, change in enumerate(declared.changes, 1)
        if change.ward and change.ward not in known
    ]
    if unknown:
        raise ChangesError(
            f"The file of changes names a ward that the store does not hold, in (counted by date): "
            f"{listed(unknown)}. Write it as the extract does, or leave it out for the whole hospital; "
            "the report's section by ward shows the names."
        )


def _more(faults: list[str]) -> str:
    rest = len(faults) - _SHOWN
    return f"; and {rest} more" if rest > 0 else ""


def _entry_faults(entry: Any) -> list[str]:
    if not isinstance(entry, dict):
        return ["must be a table"]
    faults = [f"no such key: {key} (known: {', '.join(_KEYS)})" for key in entry if key not in _KEYS]
    # A time of day is refused as well: the months of the audit are whole days of the store's zone.
    if not isinstance(entry.get("date"), date) or isinstance(entry.get("date"), datetime):
        faults.append("date must be a day, written 2026-01-05 without quotation marks")
    what = entry.get("what")
    if not isinstance(what, str) or not what.strip():
        faults.append("what was done must be said in words")
    elif len(what) > LONGEST_TEXT or "\n" in what:
        faults.append(f"what must be one line of up to {LONGEST_TEXT} characters")
    ward = entry.get("ward", "x")
    if not isinstance(ward, str) or not ward:
        faults.append("ward must be the name of one ward, or be left out")
    return faults


def _baseline_faults(baseline: Any) -> list[str]:
    if not isinstance(baseline, dict) or set(baseline) != {"first", "last"}:
        return ["needs first and last, and nothing else"]
    first, last = baseline["first"], baseline["last"]
    if not all(isinstance(month, str) and _MONTH.fullmatch(month) for month in (first, last)):
        return ['first and last must be months, written "2025-07"']
    return [] if first <= last else ["first must not be after last"]
