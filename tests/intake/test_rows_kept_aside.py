"""Every reason for keeping a row aside, the edges of every accepted range, row numbers and the sum of rows."""

import json
import random
from pathlib import Path

import pytest

from pipeline.vocabulary import TABLES, Kind
from tests.intake.extracts import (
    ORDINARY,
    STAY,
    counts,
    csv_text,
    kept_aside,
    loaded,
    query,
    readings,
    row,
    stored,
    write_extract,
)

Capsys = pytest.CaptureFixture[str]

# One row that breaks one rule: table, the cells changed, the column at fault, the rule.
REASONS = [
    *(
        (table, {column.name: ""}, column.name, "missing_required")
        for table, definition in TABLES.items()
        for column in definition.columns
        if column.required
    ),
    *(
        (table, {column.name: "two"}, column.name, "not_a_number")
        for table, definition in TABLES.items()
        for column in definition.columns
        if column.kind is Kind.NUMBER
    ),
    *(
        (table, {column.name: "2026-02-30 10:00"}, column.name, "not_a_time")
        for table, definition in TABLES.items()
        for column in definition.columns
        if column.kind is Kind.TIME
    ),
    *(
        (table, {column.name: "neither_of_these"}, column.name, "unknown_code")
        for table, definition in TABLES.items()
        for column in definition.columns
        if column.kind is Kind.CODE
    ),
    *(
        (table, {"stay_id": "ST-0404"}, "stay_id", "unknown_stay") for table in TABLES if table != "stays"
    ),
    *(
        (table, {definition.at: "2026-01-09 12:00"} | ({definition.ends: ""} if definition.ends else {}), definition.at,
         "outside_the_stay")
        for table, definition in TABLES.items()
        if table != "stays"
    ),
    *(
        (table, {definition.at: "2026-01-05 07:59"}, definition.at, "outside_the_stay")
        for table, definition in TABLES.items()
        if table not in ("stays", "flags")
    ),
    *(
        (table, {definition.ends: "2026-01-05 07:00"}, definition.ends, "ends_before_it_starts")
        for table, definition in TABLES.items()
        if definition.ends
    ),
    ("readings", {"spo2_percent": "nan"}, "spo2_percent", "not_a_number"),
    ("readings", {"spo2_percent": "inf"}, "spo2_percent", "not_a_number"),
    ("readings", {"spo2_percent": "95%"}, "spo2_percent", "not_a_number"),
    ("readings", {"spo2_percent": "95,5"}, "spo2_percent", "not_a_number"),
    ("readings", {"taken_at": "2026-01-05"}, "taken_at", "not_a_time"),
    ("readings", {"taken_at": "05/01/2026 10:00"}, "taken_at", "not_a_time"),
    ("readings", {"taken_at": "1767607200"}, "taken_at", "not_a_time"),
    ("readings", {"taken_at": "1969-12-31 23:59Z"}, "taken_at", "out_of_range"),
    ("readings", {"ews_scale": "3"}, "ews_scale", "unknown_code"),
    ("readings", {"spo2_score": "4"}, "spo2_score", "unknown_code"),
    ("devices", {"device": "Nasal_Cannula"}, "device", "unknown_code"),
]  # fmt: skip


@pytest.mark.parametrize("table", list(TABLES))
def test_every_reason_is_told_with_file_row_column_and_rule(tmp_path: Path, capsys: Capsys, table: str) -> None:
    cases = [(changes, column, rule) for name, changes, column, rule in REASONS if name == table]
    # Each bad row is of a stay of its own, so that no two of them meet.
    stays = [row("stays")] + [row("stays", stay_id=f"ST-1{n:03}") for n in range(len(cases))]
    bad_rows = [row(table, stay_id=f"ST-1{n:03}") | changes for n, (changes, _, _) in enumerate(cases)]
    tables = {"stays": stays} | {table: [row(table), *bad_rows]}

    loaded(capsys, write_extract(tmp_path / "extract", **tables), tmp_path / "s.duckdb")

    found = [entry for entry in kept_aside(tmp_path / "s.duckdb") if entry[0] == f"{table}.csv"]
    assert found == [(f"{table}.csv", n, column, rule) for n, (_, column, rule) in enumerate(cases, start=3)]
    assert counts(tmp_path / "s.duckdb", f"{table}.csv") == (len(cases) + 1, 1, 0, 0, len(cases))


# Accepted ranges as agreed for the extract: column, smallest and largest accepted, a little beyond either.
RANGES = [
    ("readings", "spo2_percent", "50", "100", "49.9", "100.1"),
    ("readings", "respiratory_rate", "1", "80", "0.9", "80.1"),
    ("devices", "flow_l_min", "0", "80", "-0.1", "80.1"),
    ("devices", "fio2_fraction", "0.21", "1.0", "0.2099", "1.0001"),
    ("gases", "ph", "6.5", "8.0", "6.49", "8.01"),
    ("gases", "pco2_kpa", "1.5", "25", "1.49", "25.01"),
    ("gases", "po2_kpa", "1", "90", "0.99", "90.1"),
    ("gases", "fio2_fraction", "0.21", "1", "0.2", "1.01"),
]


@pytest.mark.parametrize("table", ["readings", "devices", "gases"])
def test_both_edges_of_every_range_are_accepted_and_nothing_beyond(tmp_path: Path, capsys: Capsys, table: str) -> None:
    at = TABLES[table].at
    ranges = [bounds for bounds in RANGES if bounds[0] == table]
    # Many ordinary rows, so that the few beyond a range are typing errors and not another unit.
    rows = [row(table) | {at: f"2026-01-05 {12 + n // 60}:{n % 60:02}"} for n in range(100)]
    expected = []
    for _, column, *cells in ranges:
        for place, cell in enumerate(cells):
            rows.append(row(table) | {at: f"2026-01-05 20:{len(rows) - 100:02}", column: cell})
            if place > 1:
                expected.append((f"{table}.csv", len(rows) + 1, column, "out_of_range"))

    loaded(capsys, write_extract(tmp_path / "extract", **{table: rows}), tmp_path / "s.duckdb")

    assert kept_aside(tmp_path / "s.duckdb") == expected
    values = [row[column] for row in stored(tmp_path / "s.duckdb", table) for _, column, *_ in ranges]
    for _, _, smallest, largest, _, _ in ranges:
        assert float(smallest) in values
        assert float(largest) in values


def test_targets_are_from_70_to_100_with_the_lower_below_the_upper(tmp_path: Path, capsys: Capsys) -> None:
    limits = [
        ("70", "71", None),
        ("99", "100", None),
        ("70", "100", None),
        ("88.5", "92", None),
        ("69.9", "92", "lower_percent"),
        ("88", "100.1", "upper_percent"),
        ("92", "92", "upper_percent"),
        ("92", "88", "upper_percent"),
        ("70", "69", "upper_percent"),
    ]
    rows = [
        row("targets", prescribed_at=f"2026-01-05 09:{n:02}", lower_percent=lower, upper_percent=upper)
        for n, (lower, upper, _) in enumerate(limits)
    ]
    loaded(capsys, write_extract(tmp_path / "extract", targets=rows), tmp_path / "s.duckdb")

    assert kept_aside(tmp_path / "s.duckdb") == [
        ("targets.csv", n, column, "out_of_range") for n, (_, _, column) in enumerate(limits, start=2) if column
    ]


def test_a_stay_is_half_open_admission_in_discharge_out(tmp_path: Path, capsys: Capsys) -> None:
    times = ["2026-01-05 07:59:59", "2026-01-05 08:00", "2026-01-09 11:59:59", "2026-01-09 12:00"]
    expected = ["2026-01-05 08:00", "2026-01-09 11:59:59"]
    tables = {
        name: [row(name) | {definition.at: at} | ({definition.ends: ""} if definition.ends else {}) for at in times]
        for name, definition in TABLES.items()
        if name != "stays"
    }
    loaded(capsys, write_extract(tmp_path / "extract", **tables), tmp_path / "s.duckdb")

    for name in tables:
        at = [str(stored_row[TABLES[name].at]) for stored_row in stored(tmp_path / "s.duckdb", name)]
        # A flag set before admission counts from admission.
        first = ["2026-01-05 07:59:59"] if name == "flags" else []
        assert at == first + [f"{time}:00" if len(time) == 16 else time for time in expected]


def test_an_open_stay_has_no_end_to_be_outside_of(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(
        tmp_path / "extract",
        stays=[row("stays", discharged_at="")],
        readings=[row("readings", taken_at="2026-04-01 10:00")],
    )
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings.csv") == (1, 1, 0, 0, 0)


def test_an_end_at_the_start_is_accepted(tmp_path: Path, capsys: Capsys) -> None:
    devices = [row("devices", ended_at=ORDINARY["devices"]["started_at"])]
    loaded(capsys, write_extract(tmp_path / "extract", devices=devices), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "devices.csv") == (1, 1, 0, 0, 0)


def test_rows_of_a_stay_whose_own_row_is_kept_aside_have_no_known_stay(tmp_path: Path, capsys: Capsys) -> None:
    stays = [row("stays"), STAY | {"stay_id": "ST-0002", "patient_key": "", "discharged_at": ""}]
    rows = [row("readings"), row("readings", stay_id="ST-0002")]
    extract = write_extract(tmp_path / "extract", readings=rows)
    (extract / "stays.csv").write_text(csv_text(stays, ORDINARY["stays"]))
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert kept_aside(tmp_path / "s.duckdb") == [
        ("readings.csv", 3, "stay_id", "unknown_stay"),
        ("stays.csv", 3, "patient_key", "missing_required"),
    ]


def test_keys_are_compared_as_written_without_surrounding_blanks(tmp_path: Path, capsys: Capsys) -> None:
    rows = [
        row("readings", stay_id=" ST-0001 "),
        row("readings", stay_id="st-0001", taken_at="2026-01-05 10:01"),
        row("readings", stay_id="ST-001", taken_at="2026-01-05 10:02"),
    ]
    loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")

    assert [found[1:] for found in kept_aside(tmp_path / "s.duckdb")] == [
        (3, "stay_id", "unknown_stay"),
        (4, "stay_id", "unknown_stay"),
    ]


def test_kept_rows_can_be_read_back_cell_by_cell_as_they_were_written(tmp_path: Path, capsys: Capsys) -> None:
    bad = row("readings", spo2_percent="9O", source="sp\"ot, 'x'")
    extract = write_extract(tmp_path / "extract", readings=[row("readings"), bad])
    loaded(capsys, extract, tmp_path / "s.duckdb")

    [(cells, reason)] = query(tmp_path / "s.duckdb", "select cells, reason from rejected_rows")
    assert json.loads(str(cells)) == bad
    assert reason == "the cell does not hold a number"


def test_a_reason_says_what_would_be_accepted(tmp_path: Path, capsys: Capsys) -> None:
    rows = [row("readings"), row("readings", spo2_percent="101"), row("readings", source="guess")]
    outcome = loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")

    assert "readings.csv, column spo2_percent: 1 x the value lies outside the accepted range: 50 to 100" in outcome.out
    assert "column source: 1 x the code is not one of the agreed list: spot, monitor" in outcome.out


def test_the_first_five_rows_of_a_reason_are_named_and_the_rest_counted(tmp_path: Path, capsys: Capsys) -> None:
    rows = [row("readings"), *readings(700, spo2_percent="101")]
    outcome = loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")

    assert "700 x the value lies outside" in outcome.out
    assert "(row 3, 4, 5, 6, 7 and 695 more)" in outcome.out


@pytest.mark.parametrize("block_bytes", [128, 200, 1_000, 2**20])
def test_row_numbers_are_right_over_blocks_ragged_rows_and_line_breaks_in_cells(
    tmp_path: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch, block_bytes: int
) -> None:
    monkeypatch.setattr("pipeline.intake.csv_text._BLOCK_BYTES", block_bytes)
    chance = random.Random(block_bytes)
    lines, expected = ["stay_id,ward,entered_at"], []
    for number in range(2, 400):
        at = f"2026-01-05 {10 + number // 60}:{number % 60:02}"
        match chance.randrange(6):
            case 0:
                lines.append(f"ST-0001,A ward,{at},one cell too many")
                expected.append((number, None, "wrong_number_of_cells"))
            case 1:
                lines.append("ST-0001")
                expected.append((number, None, "wrong_number_of_cells"))
            case 2:
                lines.append(f'ST-0001,"two\nlines, {chance.randrange(9)}",{at}')
            case 3:
                lines.append(f'ST-0001,"two\n\nlines",{at}x')
                expected.append((number, "entered_at", "not_a_time"))
            case _:
                lines.append(f"ST-0001,A ward,{at}")
    extract = write_extract(tmp_path / "extract", wards="\n".join(lines) + "\n")

    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert [found[1:] for found in kept_aside(tmp_path / "s.duckdb")] == expected
    assert counts(tmp_path / "s.duckdb", "wards.csv") == (398, 398 - len(expected), 0, 0, len(expected))


def test_a_ragged_row_is_kept_with_its_text(tmp_path: Path, capsys: Capsys) -> None:
    text = csv_text([row("wards")]) + "ST-0001,Hazel, upper,2026-01-05 10:00\n"
    loaded(capsys, write_extract(tmp_path / "extract", wards=text), tmp_path / "s.duckdb")

    [(rule, cells)] = query(tmp_path / "s.duckdb", "select rule, cells from rejected_rows")
    assert rule == "wrong_number_of_cells"
    assert json.loads(str(cells)) == {"text": "ST-0001,Hazel, upper,2026-01-05 10:00"}


def test_a_row_of_empty_cells_is_a_row_and_an_empty_line_is_none(tmp_path: Path, capsys: Capsys) -> None:
    text = csv_text([row("wards")]) + "\n,,\n\n"
    loaded(capsys, write_extract(tmp_path / "extract", wards=text), tmp_path / "s.duckdb")

    assert kept_aside(tmp_path / "s.duckdb") == [("wards.csv", 3, "stay_id", "missing_required")]
    assert counts(tmp_path / "s.duckdb", "wards.csv") == (2, 1, 0, 0, 1)


def test_the_sum_holds_in_every_file_of_a_dirty_extract(tmp_path: Path, capsys: Capsys) -> None:
    chance = random.Random(7)
    stays = [row("stays", stay_id=f"ST-2{n:03}", patient_key=f"PK-{n % 7}") for n in range(30)]
    tables: dict[str, list[dict[str, str]]] = {"stays": [*stays, stays[3], stays[4] | {"sex": "male"}]}
    for table, definition in TABLES.items():
        if table == "stays":
            continue
        tables[table] = []
        for _ in range(300):
            changes = {definition.at: f"2026-01-0{chance.randrange(4, 10)} {chance.randrange(10, 24)}:00"}
            for column in definition.columns:
                if chance.random() < 0.03:
                    changes[column.name] = chance.choice(["", "?", "1e9", "-1"])
            tables[table].append(row(table, stay_id=f"ST-2{chance.randrange(33):03}") | changes)
    loaded(capsys, write_extract(tmp_path / "extract", **tables), tmp_path / "s.duckdb")

    for table, rows in tables.items():
        read, new, already, repeated, aside = counts(tmp_path / "s.duckdb", f"{table}.csv")
        assert read == len(rows)
        assert already == 0
        assert new == len(stored(tmp_path / "s.duckdb", table)) > 0
        [(listed,)] = query(
            tmp_path / "s.duckdb", f"select count(*) from rejected_rows where file_name = '{table}.csv'"
        )
        assert aside == listed
        assert read == new + int(str(repeated)) + aside
