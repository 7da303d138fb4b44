"""The file of declared changes: what it may hold, and every fault named at once."""

from datetime import date
from pathlib import Path

import pytest

from pipeline.declared_changes import (
    LONGEST_TEXT,
    NONE_DECLARED,
    DeclaredChange,
    DeclaredChanges,
    check_wards,
    read_declared_changes,
)
from pipeline.errors import ChangesError

GOOD = """
[baseline]
first = "2025-07"
last = "2025-12"

[[change]]
date = 2026-03-01
ward = "Alder"
what = "Flow labels on all valves"

[[change]]
date = 2026-01-05
what = " Preset for known retainers "
"""


def read(folder: Path, text: str) -> DeclaredChanges:
    file = folder / "changes.toml"
    file.write_text(text, encoding="utf-8")
    return read_declared_changes(file)


def test_changes_come_by_date_with_the_baseline_and_a_fingerprint(tmp_path: Path) -> None:
    declared = read(tmp_path, GOOD)
    assert declared.changes == (
        DeclaredChange(date(2026, 1, 5), "Preset for known retainers"),
        DeclaredChange(date(2026, 3, 1), "Flow labels on all valves", "Alder"),
    )
    assert declared.baseline == ("2025-07", "2025-12")
    assert declared.fingerprint != read(tmp_path, GOOD + "# another word\n").fingerprint


def test_an_empty_file_declares_nothing(tmp_path: Path) -> None:
    declared = read(tmp_path, "")
    assert (declared.changes, declared.baseline) == (NONE_DECLARED.changes, None)


@pytest.mark.parametrize(
    ("day", "month", "first_whole"),
    [
        (date(2026, 1, 5), "2026-01", "2026-02"),
        (date(2026, 1, 1), "2026-01", "2026-01"),
        (date(2025, 12, 31), "2025-12", "2026-01"),
        (date(2025, 11, 2), "2025-11", "2025-12"),
    ],
)
def test_the_first_whole_month_is_its_own_only_from_the_first_day(day: date, month: str, first_whole: str) -> None:
    change = DeclaredChange(day, "x")
    assert (change.month, change.first_whole_month) == (month, first_whole)


def test_a_ward_is_reached_by_its_own_changes_and_the_hospitals(tmp_path: Path) -> None:
    declared = read(tmp_path, GOOD)
    assert [len(declared.of(ward)) for ward in ("Alder", "Birch", None)] == [2, 1, 1]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[change]]\ndate = "2026-01-05"\nwhat = "x"', "change 1: date must be a day"),
        ('[[change]]\ndate = 2026-01-05T08:00:00\nwhat = "x"', "change 1: date must be a day"),
        ("[[change]]\ndate = 2026-01-05", "change 1: what was done must be said in words"),
        ('[[change]]\ndate = 2026-01-05\nwhat = "  "', "what was done must be said in words"),
        (f'[[change]]\ndate = 2026-01-05\nwhat = "{"x" * (LONGEST_TEXT + 1)}"', f"up to {LONGEST_TEXT} characters"),
        ('[[change]]\ndate = 2026-01-05\nwhat = "x"\nward = ""', "ward must be the name of one ward"),
        ('[[change]]\ndate = 2026-01-05\nwhat = "x"\nward = ["A", "B"]', "ward must be the name of one ward"),
        ('[[change]]\ndate = 2026-01-05\nwhat = "x"\nwhere = "A"', "no such key: where (known: date, what, ward)"),
        ('[change]\ndate = 2026-01-05\nwhat = "x"', "write [[change]] with two brackets"),
        ('[[changes]]\ndate = 2026-01-05\nwhat = "x"', "changes: no such table (known: baseline, change)"),
        ('[baseline]\nfirst = "2025-07"', "baseline: needs first and last"),
        ('[baseline]\nfirst = "2025-13"\nlast = "2026-01"', 'must be months, written "2025-07"'),
        ('[baseline]\nfirst = "2026-02"\nlast = "2026-01"', "first must not be after last"),
        ("change = 3", "write [[change]]"),
        ("[[change", "not valid TOML"),
    ],
)
def test_a_fault_is_named_with_its_place(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(ChangesError) as raised:
        read(tmp_path, text)
    assert words in str(raised.value)
    assert "changes.toml" in str(raised.value)


def test_all_faults_come_in_one_message_and_many_are_counted(tmp_path: Path) -> None:
    with pytest.raises(ChangesError) as raised:
        read(tmp_path, "[[change]]\n" * 4)
    assert "has 8 faults" in str(raised.value)
    assert "change 3: date" in str(raised.value)
    assert "and 3 more" in str(raised.value)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ChangesError, match="cannot be read"):
        read_declared_changes(tmp_path / "none.toml")


def test_a_ward_that_the_store_does_not_hold_is_refused_without_naming_those_it_does(tmp_path: Path) -> None:
    declared = read(tmp_path, GOOD)
    check_wards(declared, ["Alder", "Birch"])
    with pytest.raises(ChangesError) as raised:
        check_wards(declared, ["Birch"])
    assert "change 2" in str(raised.value)
    assert "Birch" not in str(raised.value)
