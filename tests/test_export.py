"""The exported files: which, with which columns, times as agreed, and the same bytes each time."""

import csv
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.catalogue import read_measures
from pipeline.errors import AuditError
from pipeline.export import export_tables, safe_in_spreadsheets
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.store import open_store
from tests.charts import chart, reading, target, ward
from tests.intake.extracts import kept_aside, loaded, query, row, stored, write_extract
from tests.stores import empty_store, made_up_stays, store_with

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"
MEASURES = read_measures()
TABLES = (
    "timeline",
    "stay_band_time",
    "high_fio2_episodes",
    "retainers",
    "month_summary",
    "measure_summary",
    "rejected_rows",
    "load_ledger",
    "load_verdicts",
    "load_notes",
    "episode_estimates",
    "gas_findings",
    "oxygen_changes",
    "oxygen_change_effects",
    "valve_stretches",
    "excess_runs",
    "excess_totals",
    "where_it_happened",
    "pathway_steps",
    "band_distance",
    "policy_values",
    "published_definitions",
    "sensitivity",
)
# As listed in the definitions, in that order.
BAND_TIME = """
    stay_id, patient_key, month, ward, lower_percent, upper_percent, retainer, below_s, within_s, above_on_oxygen_s,
    above_on_air_s, above_device_unknown_s, unobserved_s, no_target_s, excluded_s
"""
EPISODES = """
    stay_id, started_at, ended_at, high_s, peak_fio2, mean_fio2, device_at_peak, ward, lower_percent,
    upper_percent, retainer_at_start, retainer_ever, below_s, within_s, above_on_oxygen_s, unobserved_s, spo2_min,
    spo2_max, gas_before_at, gas_before_pco2_kpa, gas_before_ph, gas_after_at, gas_after_pco2_kpa, gas_after_ph,
    gas_after_minutes, repeat_gas_in_time, acidosis_after, saturation_during
"""
TIMELINE = """
    stay_id, patient_key, site, ward, month, started_at, ended_at, seconds, spo2_percent, device, flow_l_min, fio2,
    fio2_low, fio2_high, on_oxygen, lower_percent, upper_percent, excluded, band_state, retainer, retainer_ever
"""
MONTH_SUMMARY = """
    month, ward, group, patients, stays, below_s, within_s, above_on_oxygen_s, above_on_air_s,
    above_device_unknown_s, unobserved_s, no_target_s, excluded_s, share_below, share_below_low, share_below_high,
    share_within, share_within_low, share_within_high, share_above_on_oxygen, share_above_on_oxygen_low,
    share_above_on_oxygen_high, patient_share_within_median, patient_share_within_q1, patient_share_within_q3,
    readings, reading_share_within, episodes, episodes_above, episodes_without_gas_in_time
"""
FORMS = ("csv", "parquet")
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


@pytest.fixture(scope="module")
def store() -> Iterator[duckdb.DuckDBPyConnection]:
    with store_with(made_up_stays()) as connection:
        measure_store(connection, read_policy())
        note_a_load(connection, "2026-02-01 07:30:00")
        yield connection


def note_a_load(connection: duckdb.DuckDBPyConnection, loaded_at: str) -> None:
    connection.execute(
        "insert into load_ledger values (1, ?, 'stays', 'stays.csv', 'abc', 2, 2, 0, 0, 0, 0, 0, 'Europe/London', "
        "'2026-02-01 06:00:00', '0')",
        [loaded_at],
    )


@pytest.fixture(scope="module")
def exported(store: duckdb.DuckDBPyConnection, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export")
    export_tables(store, folder, MEASURES)
    return folder


def named(columns: str) -> list[str]:
    return [name.strip() for name in columns.split(",")]


def read_csv(file: Path) -> tuple[list[str], list[list[str]]]:
    with file.open(encoding="utf-8", newline="") as lines:
        header, *rows = csv.reader(lines)
    return header, rows


def test_there_is_a_file_of_each_form_for_every_table_and_every_measure(
    store: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    folder = tmp_path / "new" / "folder"
    paths = export_tables(store, folder, MEASURES)
    stems = [*TABLES, *(f"measure_{measure.id}" for measure in MEASURES), "provenance"]
    assert sorted(path.name for path in paths) == sorted(f"{stem}.{form}" for stem in stems for form in FORMS)
    assert sorted(folder.iterdir()) == sorted(paths)


@pytest.mark.parametrize("form", FORMS)
def test_one_form_alone_can_be_had(store: duckdb.DuckDBPyConnection, tmp_path: Path, form: str) -> None:
    paths = export_tables(store, tmp_path, MEASURES[:1], [form])
    assert len(paths) == len(TABLES) + 1 + len(["provenance"])
    assert {path.suffix for path in tmp_path.iterdir()} == {f".{form}"}


@pytest.mark.parametrize(("table", "columns"), [("stay_band_time", BAND_TIME), ("high_fio2_episodes", EPISODES)])
def test_columns_are_those_of_the_definitions_in_their_order(exported: Path, table: str, columns: str) -> None:
    assert read_csv(exported / f"{table}.csv")[0] == named(columns)
    assert pyarrow.parquet.read_schema(exported / f"{table}.parquet").names == named(columns)


@pytest.mark.parametrize(("table", "columns"), [("timeline", TIMELINE), ("month_summary", MONTH_SUMMARY)])
def test_further_columns_stand_between_those_of_the_definitions(exported: Path, table: str, columns: str) -> None:
    header, _ = read_csv(exported / f"{table}.csv")
    assert [name for name in header if name in named(columns)] == named(columns)
    assert len(set(header)) == len(header)


def test_times_in_csv_are_iso_utc_with_z(exported: Path) -> None:
    seen = 0
    for file in exported.glob("*.csv"):
        header, rows = read_csv(file)
        for position, name in enumerate(header):
            if name.endswith("_at") or name == "as_of":
                values = {row[position] for row in rows} - {""}
                seen += len(values)
                assert all(INSTANT.fullmatch(value) for value in values), (file.name, name)
    assert seen > 100


def test_times_in_parquet_are_instants_in_utc(exported: Path) -> None:
    checked = 0
    for file in exported.glob("*.parquet"):
        for field in pyarrow.parquet.read_schema(file):
            if field.name.endswith("_at") or field.name == "as_of":
                assert pa.types.is_timestamp(field.type), (file.name, field.name)
                assert field.type.tz == "UTC"
                checked += 1
    assert checked > 8


def test_an_instant_is_the_same_in_the_store_and_in_both_forms(tmp_path: Path) -> None:
    """Admitted on 1 July at noon in London, 11:00 UTC."""
    with store_with(chart(60, target(0), admitted=datetime(2026, 7, 1, 11))) as connection:
        measure_store(connection, read_policy())
        # Whatever zone the session of whoever exports is in.
        connection.execute("set timezone = 'Asia/Kathmandu'")
        export_tables(connection, tmp_path, [])
    header, rows = read_csv(tmp_path / "timeline.csv")
    line = dict(zip(header, rows[0], strict=True))
    assert (line["started_at"], line["ended_at"]) == ("2026-07-01T11:00:00Z", "2026-07-01T12:00:00Z")
    table = pyarrow.parquet.read_table(tmp_path / "timeline.parquet")
    assert table["started_at"][0].as_py() == datetime(2026, 7, 1, 11, tzinfo=UTC)


@pytest.mark.parametrize("table", TABLES[:6])
def test_both_forms_hold_every_row_of_the_store(store: duckdb.DuckDBPyConnection, exported: Path, table: str) -> None:
    parquet = pl.read_parquet(exported / f"{table}.parquet")
    stored = store.sql(f"select * from {table}").pl()
    assert stored.height == parquet.height == len(read_csv(exported / f"{table}.csv")[1]) > 0
    as_stored = parquet.with_columns(pl.col(pl.Datetime).dt.replace_time_zone(None))
    assert as_stored.columns == stored.columns
    assert sorted(as_stored.rows(), key=str) == sorted(stored.rows(), key=str)
    # Another program reads the CSV into the same numbers.
    from_csv = pd.read_csv(exported / f"{table}.csv", keep_default_na=False, na_values=[""])
    numbers = [name for name, kind in stored.schema.items() if kind.is_numeric()]
    for name in numbers:
        expected = parquet[name].cast(pl.Float64).fill_null(float("nan")).to_list()
        assert from_csv[name].astype(float).tolist() == pytest.approx(expected, nan_ok=True), name


def test_a_measures_file_holds_its_rows_and_no_patient_key(store: duckdb.DuckDBPyConnection, exported: Path) -> None:
    for measure in MEASURES:
        header, rows = read_csv(exported / f"measure_{measure.id}.csv")
        [(stored,)] = store.execute("select count(*) from measure_rows where measure_id = ?", [measure.id]).fetchall()
        assert len(rows) == stored
        assert {"stay_id", "ward", "month", "group"} <= set(header)
        assert "patient_key" not in header


def test_the_same_store_gives_the_same_bytes(store: duckdb.DuckDBPyConnection, exported: Path, tmp_path: Path) -> None:
    for path in export_tables(store, tmp_path, MEASURES):
        assert path.read_bytes() == (exported / path.name).read_bytes(), path.name


def test_another_store_with_the_same_stays_in_another_order_gives_the_same_bytes(
    exported: Path, tmp_path: Path
) -> None:
    tables = made_up_stays()
    turned = {name: rows[::-1] for name, rows in tables.items()}
    with store_with(turned) as connection:
        connection.execute("set threads = 1")
        measure_store(connection, read_policy())
        # Loaded at another time of day, which is in no file.
        note_a_load(connection, "2026-03-05 11:00:00")
        for path in export_tables(connection, tmp_path, MEASURES):
            assert path.read_bytes() == (exported / path.name).read_bytes(), path.name


def test_awkward_text_comes_back_as_it_went(tmp_path: Path) -> None:
    names = ['Ward "7", east', "line\nbreak", "Frauenstation Süd ☂", "null", " blank ", "O'Hara", "'quoted'", "a-b=c"]
    stays = chart(600, *(ward(60 * number, name) for number, name in enumerate(names)), target(0), reading(0, 90))
    with store_with(stays) as connection:
        measure_store(connection, read_policy())
        export_tables(connection, tmp_path, [])
    header, rows = read_csv(tmp_path / "stay_band_time.csv")
    assert {row[header.index("ward")] for row in rows} == set(names)
    assert set(pl.read_parquet(tmp_path / "stay_band_time.parquet")["ward"]) == set(names)


# --- no formulas ------------------------------------------------------------------------------------------------

# Characters with which a spreadsheet takes a cell for a formula: OWASP "CSV Injection" (= + - @ tab, carriage return,
# line feed), OWASP Web Security Testing Guide "Testing for CSV Injection" (the same and their full-width forms), OWASP
# ASVS 5.0 requirement 1.2.10 (the null character).
FORMULA_CHARACTERS = "=+-@\t\r\n\0\uff1d\uff0b\uff0d\uff20"
ATTACKS = (
    "=cmd|' /C calc'!A0",
    '=HYPERLINK("x","y")',
    "+1+1",
    "-2+3",
    "@SUM(1,1)",
    "\t=1+1",
    "\r=1+1",
    "\uff1d1+1",
    '"=1+1"',
    "'=1+1",
    "a;=1+1",
    'a";"=1+1',
    "a\t+1",
    "a\n@x",
    "-",
)


def as_in_csv(texts: list[str]) -> list[str]:
    """What the export writes for each text."""
    with duckdb.connect() as connection:
        connection.register(
            "texts", pl.DataFrame({"n": range(len(texts)), "t": texts}, schema_overrides={"t": pl.String})
        )
        found = connection.sql(f"select {safe_in_spreadsheets('t')} as t from texts order by n").fetchall()
    return [text for (text,) in found]


def as_in_the_store(text: str) -> str:
    """The way back, with the pattern that DEVELOPERS.md gives the reader."""
    [pattern] = re.findall(r'^PROTECTED = r"""(.*)"""$', DEVELOPERS.read_text(encoding="utf-8"), re.MULTILINE)
    return re.sub(pattern, r"\1", text)


def cells(text: str, separator: str) -> list[str]:
    """The cells a spreadsheet shows that splits at this separator; one that takes quotes as they come, and one not."""
    with_quotes = [cell for line in csv.reader(text.splitlines(), delimiter=separator) for cell in line]
    without = [cell for line in re.split(r"[\r\n]", text) for cell in line.split(separator)]
    return with_quotes + without + [cell.lstrip('"') for cell in without]


@pytest.mark.parametrize("character", FORMULA_CHARACTERS)
def test_text_that_begins_like_a_formula_gets_a_quotation_mark(character: str) -> None:
    texts = [character, f"{character}1+1", f"{character}{character}", f"'{character}"]
    assert as_in_csv(texts) == [f"'{text}" for text in texts]


def test_the_examples_of_owasp_are_written_as_there() -> None:
    """As there, before the cell is put between quotation marks; and besides, `'` behind the separator in the middle.

    OWASP, "CSV Injection", table of examples: `=1+2";=1+2` and `=1+2'" ;,=1+2`.
    """
    assert as_in_csv(['=1+2";=1+2', "=1+2'\" ;,=1+2"]) == ["'=1+2\";'=1+2", "'=1+2'\" ;,=1+2"]


@pytest.mark.parametrize(
    "text", ["", "Hazel", "a=b", "a-b", "ST-0001", "2026-01", "70-79", "a; b", "x, =y", "it's", "'"]
)
def test_other_text_is_written_as_it_is(text: str) -> None:
    assert as_in_csv([text]) == [text]


@settings(deadline=None)
@given(st.lists(st.text(alphabet="=+-@\t\r\n\0\uff1d;,'\"a ", max_size=8), min_size=1, max_size=20))
def test_what_was_written_can_be_turned_back_and_holds_no_cell_like_a_formula(texts: list[str]) -> None:
    written = as_in_csv(texts)
    assert [as_in_the_store(text) for text in written] == texts
    for text in written:
        assert text[:1] not in [*FORMULA_CHARACTERS]
        for separator in ";\t":
            assert not [cell for cell in cells(text, separator) if cell[:1] in "=+-@\uff1d" and cell]


def test_no_cell_of_an_export_begins_like_a_formula_and_numbers_stay_numbers(tmp_path: Path) -> None:
    """Every text column of every table holds every attack; every number beside them is negative."""
    with empty_store() as connection:
        for table in (*TABLES[1:], "conditions", "spans"):
            _fill_with_attacks(connection, table)
        for measure in MEASURES:
            _fill_with_attacks(connection, "measure_rows", measure_id=measure.id)
        export_tables(connection, tmp_path, MEASURES)
    texts = numbers = 0
    for file in tmp_path.glob("*.csv"):
        header, rows = read_csv(file)
        if file.stem == "provenance":
            assert not [cell for cells in rows for cell in cells if cell[:1] in FORMULA_CHARACTERS and cell]
            continue
        untouched = pl.read_parquet(file.with_suffix(".parquet"))
        assert header == untouched.columns
        assert not [name for name in header if name[:1] in FORMULA_CHARACTERS]
        assert len(rows) == len(ATTACKS), file.name
        for position, (name, kind) in enumerate(untouched.schema.items()):
            written = [cells[position] for cells in rows]
            if kind == pl.String:
                original = ["below"] if name == "band_state" else [_attack(name, attack) for attack in ATTACKS]
                assert set(untouched[name]) == set(original), (file.name, name)
                assert not [cell for cell in written if cell[:1] in FORMULA_CHARACTERS], (file.name, name)
                if name == "cells":
                    assert sorted(json.loads(cell)["ward"] for cell in written) == sorted(ATTACKS)
                else:
                    assert {as_in_the_store(cell) for cell in written} == set(original)
                texts += 1
            elif kind.is_numeric():
                assert {float(cell) for cell in written} == {-1.0}, (file.name, name)
                numbers += 1
    assert texts > 50
    assert numbers > 50


def _attack(column: str, attack: str) -> str:
    return json.dumps({"ward": attack}, ensure_ascii=False) if column == "cells" else attack


def _fill_with_attacks(connection: duckdb.DuckDBPyConnection, table: str, **fixed: str) -> None:
    """One row per attack, which stands in every column of text; numbers are -1."""
    fixed |= {"band_state": "below"} if table == "spans" else {}
    columns = connection.execute(f"describe {table}").fetchall()
    for number, attack in enumerate(ATTACKS):
        values: dict[str, object] = {}
        for name, kind, *_ in columns:
            if kind == "VARCHAR":
                values[name] = _attack(name, attack)
            elif kind == "TIMESTAMP":
                values[name] = datetime(2026, 1, 5, 8)
            else:
                values[name] = True if kind == "BOOLEAN" else -1
        if "condition_no" in values:
            values["condition_no"] = number
        values |= fixed
        connection.execute(f"insert into {table} values ({', '.join('?' * len(values))})", list(values.values()))


def test_a_row_kept_aside_is_exported_corrected_and_loaded_without_a_trace_of_the_protection(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ward_names = ["=1+1", "a;-1", "@home", "Hazel"]
    wrong = [row("wards", ward=name, entered_at=f"2026-01-05 nine:0{n}") for n, name in enumerate(ward_names)]
    store_file = tmp_path / "audit.duckdb"
    loaded(capsys, write_extract(tmp_path / "first", wards=wrong), store_file)
    assert [rule for *_, rule in kept_aside(store_file)] == ["not_a_time"] * 4
    with open_store(store_file) as connection:
        measure_store(connection, read_policy())
        export_tables(connection, tmp_path / "out", [], ["csv"])
    header, rows = read_csv(tmp_path / "out" / "rejected_rows.csv")
    kept = [json.loads(line[header.index("cells")]) for line in rows]
    assert [cells["ward"] for cells in kept] == ward_names
    corrected = [cells | {"entered_at": cells["entered_at"].replace("nine", "09")} for cells in kept]
    loaded(capsys, write_extract(tmp_path / "second", wards=corrected), store_file)
    assert sorted(str(line["ward"]) for line in stored(store_file, "wards")) == sorted(ward_names)
    assert query(store_file, "select count(*) from rejected_rows where load_no = 2") == [(0,)]


# --- faults -----------------------------------------------------------------------------------------------------


def test_a_folder_that_cannot_be_made_is_named_with_what_to_do(
    store: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(AuditError) as raised:
            export_tables(store, folder, MEASURES)
        message = str(raised.value)
        assert str(folder) in message
        assert "--out" in message
    assert (tmp_path / "file").read_text(encoding="utf-8") == "in the way"


@pytest.mark.parametrize("form", FORMS)
def test_a_file_that_cannot_be_written_is_named_with_what_to_do(
    store: duckdb.DuckDBPyConnection, tmp_path: Path, form: str
) -> None:
    # A folder stands where the file should go: refused to every user, the superuser too.
    (tmp_path / f"retainers.{form}").mkdir()
    with pytest.raises(AuditError) as raised:
        export_tables(store, tmp_path, MEASURES, [form])
    assert f"retainers.{form} cannot be written" in str(raised.value)
    assert "--out" in str(raised.value)


def test_a_folder_whose_name_holds_quotes_is_written(store: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    folder = tmp_path / "O'Hara's \"export\""
    paths = export_tables(store, folder, [], ["csv"])
    assert all(path.exists() for path in paths)
