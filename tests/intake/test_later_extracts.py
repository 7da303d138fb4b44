"""Loading again: the same folder, a later one that overlaps, and one that corrects stays."""

import hashlib
from datetime import datetime
from pathlib import Path

import pytest

from pipeline.vocabulary import TABLES
from tests.intake.extracts import (
    ORDINARY,
    counts,
    csv_text,
    dump,
    kept_aside,
    load,
    loaded,
    query,
    readings,
    refused,
    row,
    stored,
    stored_tables,
    write_extract,
)

Capsys = pytest.CaptureFixture[str]
EVERY_TABLE = {name: [dict(cells)] for name, cells in ORDINARY.items()}
OPEN_STAY = row("stays", discharged_at="")


def as_of(store: Path) -> list[tuple[object, ...]]:
    return query(store, "select stay_id, as_of from stays order by stay_id")


@pytest.mark.parametrize("options", [(), ("--replace",)])
def test_the_same_folder_again_changes_nothing_not_a_byte(
    tmp_path: Path, capsys: Capsys, options: tuple[str, ...]
) -> None:
    dirty = EVERY_TABLE | {
        "stays": [row("stays"), row("stays", stay_id="ST-0002", discharged_at="")],
        "readings": [
            *readings(5),
            row("readings", spo2_percent="101"),
            row("readings"),
            row("readings", taken_at="2026-01-05 10:01", spo2_percent="99"),
            row("readings", stay_id="ST-0404"),
        ],
    }
    extract, store = write_extract(tmp_path / "extract", **dirty), tmp_path / "s.duckdb"
    loaded(capsys, extract, store)
    before = dump(store)

    outcome = loaded(capsys, extract, store, *options)

    assert "nothing has changed" in outcome.out
    assert dump(store) == before
    digest = hashlib.sha256(store.read_bytes()).hexdigest()
    loaded(capsys, extract, store, *options)
    assert hashlib.sha256(store.read_bytes()).hexdigest() == digest


def test_a_later_extract_that_overlaps_adds_only_what_is_new(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    january = write_extract(tmp_path / "january", readings=readings(10))
    february = write_extract(
        tmp_path / "february",
        stays=[row("stays"), row("stays", stay_id="ST-0002")],
        readings=[*readings(20)[5:], row("readings", stay_id="ST-0002")],
    )
    loaded(capsys, january, store)
    loaded(capsys, february, store)

    assert counts(store, "readings.csv") == (16, 11, 5, 0, 0)
    assert counts(store, "stays.csv") == (2, 1, 1, 0, 0)
    assert len(stored(store, "readings")) == 21
    together = write_extract(
        tmp_path / "together",
        stays=[row("stays"), row("stays", stay_id="ST-0002")],
        readings=[*readings(20), row("readings", stay_id="ST-0002")],
    )
    loaded(capsys, together, tmp_path / "together.duckdb")
    assert stored_tables(store) == stored_tables(tmp_path / "together.duckdb")


def test_rows_of_a_stored_stay_are_taken_though_its_own_row_does_not_come_again(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "first"), store)
    second = write_extract(
        tmp_path / "second",
        stays=[row("stays", stay_id="ST-0002")],
        readings=[row("readings", taken_at="2026-01-06 10:00"), row("readings", taken_at="2026-01-09 12:00")],
    )
    loaded(capsys, second, store)

    assert counts(store, "readings.csv") == (2, 1, 0, 0, 1)
    assert kept_aside(store) == [("readings.csv", 3, "taken_at", "outside_the_stay")]


@pytest.mark.parametrize(
    "changes",
    [
        {"stays": {"sex": "male"}},
        {
            "wards": {"ward": "Rowan ward"},
            "readings": {"spo2_percent": "95"},
            "devices": {"flow_l_min": ""},
            "targets": {"upper_percent": "93"},
            "gases": {"ph": ""},
            "flags": {"until_at": ""},
        },
    ],
)
def test_a_row_that_differs_from_the_store_is_kept_aside_with_the_way_out(
    tmp_path: Path, capsys: Capsys, changes: dict[str, dict[str, str]]
) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "first", **EVERY_TABLE), store)
    before = stored_tables(store)
    differing = {table: [row(table, **cells)] for table, cells in changes.items()}

    outcome = loaded(capsys, write_extract(tmp_path / "second", **EVERY_TABLE | differing), store)

    assert stored_tables(store) == before
    assert kept_aside(store) == sorted((f"{table}.csv", 2, TABLES[table].at, "conflicting_repeat") for table in changes)
    assert outcome.out.count("load the extract again with --replace to correct the stay") == len(changes)


def test_with_replace_a_stay_is_replaced_whole_and_others_are_left(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    two_stays = [row("stays"), row("stays", stay_id="ST-0002", patient_key="PK-0002")]
    of_second = row("readings", stay_id="ST-0002")
    first = write_extract(
        tmp_path / "first", **EVERY_TABLE | {"stays": two_stays, "readings": [*readings(4), of_second]}
    )
    loaded(capsys, first, store)
    # The first stay comes corrected: two readings fewer, one other, no gas, no flag; the second as it was.
    corrected = write_extract(
        tmp_path / "second",
        stays=two_stays,
        wards=[row("wards")],
        readings=[*readings(2), row("readings", taken_at="2026-01-05 10:03", spo2_percent="88"), of_second],
        devices=[row("devices", flow_l_min="2")],
    )
    outcome = loaded(capsys, corrected, store, "--replace")

    assert "1 stays were replaced whole" in outcome.out
    alone = tmp_path / "alone.duckdb"
    loaded(capsys, corrected, alone)
    found = stored_tables(store)
    assert found == stored_tables(alone)
    assert found["gases"] == found["flags"] == []
    # What belongs to the untouched stay was not stored anew.
    assert counts(store, "readings.csv") == (4, 3, 1, 0, 0)
    assert kept_aside(store) == []


def test_with_replace_rows_that_do_not_come_again_are_gone_though_nothing_else_differs(
    tmp_path: Path, capsys: Capsys
) -> None:
    store = tmp_path / "s.duckdb"
    first = EVERY_TABLE | {"readings": readings(4)}
    loaded(capsys, write_extract(tmp_path / "first", **first), store)
    fewer = {name: rows for name, rows in first.items() if name != "gases"} | {"readings": readings(3)}
    outcome = loaded(capsys, write_extract(tmp_path / "second", **fewer), store, "--replace")

    assert "1 stays were replaced whole" in outcome.out
    found = stored_tables(store)
    assert [len(found[name]) for name in TABLES] == [0 if name == "gases" else len(fewer[name]) for name in TABLES]


def test_with_replace_a_stay_without_its_own_row_in_the_extract_is_not_replaced(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "first"), store)
    second = write_extract(
        tmp_path / "second",
        stays=[row("stays", stay_id="ST-0002")],
        readings=[row("readings", spo2_percent="95")],
    )
    outcome = loaded(capsys, second, store, "--replace")

    assert [reading["spo2_percent"] for reading in stored(store, "readings")] == [91.0]
    assert kept_aside(store) == [("readings.csv", 2, "taken_at", "conflicting_repeat")]
    assert "--replace needs the stay's own row of stays in the extract" in outcome.out


def test_a_correction_of_a_correction_brings_the_first_content_back(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    first = write_extract(tmp_path / "first")
    second = write_extract(tmp_path / "second", readings=[row("readings", spo2_percent="95")])
    loaded(capsys, first, store)
    loaded(capsys, second, store, "--replace")
    loaded(capsys, first, store, "--replace")

    assert [reading["spo2_percent"] for reading in stored(store, "readings")] == [91.0]


def test_the_ledger_keeps_fingerprints_counts_and_times_of_every_load(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    first = write_extract(tmp_path / "first")
    second = write_extract(tmp_path / "second", readings=[row("readings", spo2_percent="95")])
    loaded(capsys, first, store)
    loaded(capsys, second, store, "--replace")

    ledger = query(
        store,
        "select load_no, file_sha256, rows_read, rows_stored, stays_replaced, zone, loaded_at is not null "
        "from load_ledger where table_name = 'readings' order by load_no",
    )
    assert ledger == [
        (n, hashlib.sha256((folder / "readings.csv").read_bytes()).hexdigest(), 1, 1, n - 1, "Europe/London", True)
        for n, folder in ((1, first), (2, second))
    ]


def test_rows_kept_aside_before_are_judged_anew_when_their_stay_has_come(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    rows = [row("readings"), row("readings", stay_id="ST-0002")]
    loaded(capsys, write_extract(tmp_path / "first", readings=rows), store)
    assert kept_aside(store) == [("readings.csv", 3, "stay_id", "unknown_stay")]

    stays = [row("stays"), row("stays", stay_id="ST-0002")]
    loaded(capsys, write_extract(tmp_path / "second", stays=stays, readings=rows), store)

    assert kept_aside(store) == []
    assert counts(store, "readings.csv") == (2, 1, 1, 0, 0)


def test_open_stays_end_at_the_latest_accepted_time_in_any_column_of_any_table(tmp_path: Path, capsys: Capsys) -> None:
    for table, column in (("targets", "stopped_at"), ("flags", "until_at"), ("readings", "taken_at")):
        store = tmp_path / f"{table}.duckdb"
        extract = write_extract(
            tmp_path / table,
            **{"stays": [OPEN_STAY], table: [row(table, **{column: "2026-02-03 04:05:06"})]}
            # Not accepted, so it does not count.
            | {"wards": [row("wards"), row("wards", stay_id="ST-0404", entered_at="2027-01-01 00:00")]},
        )
        outcome = loaded(capsys, extract, store)
        assert as_of(store) == [("ST-0001", datetime(2026, 2, 3, 4, 5, 6))]
        assert "open end at 2026-02-03T04:05:06Z" in outcome.out


def test_open_stays_are_followed_further_by_later_extracts_and_never_back(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    for day, expected in ((6, 6), (9, 9), (7, 9)):
        extract = write_extract(
            tmp_path / str(day), stays=[OPEN_STAY], readings=[row("readings", taken_at=f"2026-01-0{day} 10:00")],
            targets=[row("targets", stopped_at="")],
        )  # fmt: skip
        loaded(capsys, extract, store)
        assert as_of(store) == [("ST-0001", datetime(2026, 1, expected, 10))]


def test_a_longer_as_of_alone_is_a_change_that_measures_must_see(tmp_path: Path, capsys: Capsys) -> None:
    store, extract = tmp_path / "s.duckdb", write_extract(tmp_path / "extract", stays=[OPEN_STAY])
    loaded(capsys, extract, store)
    [before] = query(store, "select value from store_facts where name = 'data_version'")
    loaded(capsys, extract, store, "--as-of", "2026-01-31 23:59Z")

    assert as_of(store) == [("ST-0001", datetime(2026, 1, 31, 23, 59))]
    assert query(store, "select value from store_facts where name = 'data_version'") != [before]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-07-01 12:00", datetime(2026, 7, 1, 11)),
        ("2026-07-01T12:00:30Z", datetime(2026, 7, 1, 12, 0, 30)),
        ("2026-07-01T12:00+05:30", datetime(2026, 7, 1, 6, 30)),
        ("2026-10-25 01:30", datetime(2026, 10, 25, 0, 30)),
    ],
)
def test_as_of_follows_the_rules_of_charted_times(
    tmp_path: Path, capsys: Capsys, text: str, expected: datetime
) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "extract", stays=[OPEN_STAY]), store, "--as-of", text)
    assert as_of(store) == [("ST-0001", expected)]


@pytest.mark.parametrize("text", ["yesterday", "2026-07-01", "2026-02-30 10:00", "2026-03-29 01:30", ""])
def test_an_as_of_that_is_no_time_is_refused(tmp_path: Path, capsys: Capsys, text: str) -> None:
    store, extract = tmp_path / "s.duckdb", write_extract(tmp_path / "extract")
    refused(capsys, extract, store, "--as-of", text, says=["--as-of is not a time", "2026-06-30T23:59"])
    assert not store.exists()


def test_a_discharge_in_a_later_extract_needs_replace_and_then_counts(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "first", stays=[OPEN_STAY]), store)
    second = write_extract(tmp_path / "second")
    outcome = loaded(capsys, second, store)
    assert "--replace" in outcome.out
    loaded(capsys, second, store, "--replace")

    [stay] = stored(store, "stays")
    assert stay["discharged_at"] == datetime(2026, 1, 9, 12)


def test_corrected_rows_can_be_loaded_alone_in_files_of_their_own(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    first = write_extract(tmp_path / "first", readings=[row("readings"), row("readings", spo2_percent="910")])
    loaded(capsys, first, store)
    corrected = write_extract(tmp_path / "second", targets=csv_text([row("targets")]).splitlines()[0])
    (corrected / "readings.csv").write_text(csv_text([row("readings", taken_at="2026-01-05 10:01")]))
    loaded(capsys, corrected, store)

    assert len(stored(store, "readings")) == 2


def test_a_load_that_stops_leaves_the_store_byte_for_byte(tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "first"), store)
    before = dump(store)
    bad = write_extract(tmp_path / "bad", readings=csv_text([row("readings", nhs_number="1")]))

    assert load(capsys, bad, store, "--replace").code == 2

    assert dump(store) == before
