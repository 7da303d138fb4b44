"""The exported files: which, with which columns, times as agreed, and the same bytes each time."""

import csv
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

from pipeline.catalogue import read_measures
from pipeline.errors import AuditError
from pipeline.export import export_tables
from pipeline.measure import measure_store
from pipeline.policy import read_policy
from tests.charts import chart, reading, target, ward
from tests.stores import made_up_stays, store_with

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
        connection.execute(
            "insert into load_ledger values (1, '2026-02-01 07:30:00', 'stays', 'stays.csv', 'abc', 2, 2, 0, 0, 0, 0, "
            "0, 'Europe/London', '2026-02-01 06:00:00', '0')"
        )
        yield connection


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
    stems = [*TABLES, *(f"measure_{measure.id}" for measure in MEASURES)]
    assert sorted(path.name for path in paths) == sorted(f"{stem}.{form}" for stem in stems for form in FORMS)
    assert sorted(folder.iterdir()) == sorted(paths)


@pytest.mark.parametrize("form", FORMS)
def test_one_form_alone_can_be_had(store: duckdb.DuckDBPyConnection, tmp_path: Path, form: str) -> None:
    paths = export_tables(store, tmp_path, MEASURES[:1], [form])
    assert len(paths) == len(TABLES) + 1
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
        for path in export_tables(connection, tmp_path, MEASURES):
            if path.stem != "load_ledger":
                assert path.read_bytes() == (exported / path.name).read_bytes(), path.name


def test_awkward_text_comes_back_as_it_went(tmp_path: Path) -> None:
    names = ['Ward "7", east', "line\nbreak", "=1+1", "Frauenstation Süd ☂", "null", " blank "]
    stays = chart(600, *(ward(60 * number, name) for number, name in enumerate(names)), target(0), reading(0, 90))
    with store_with(stays) as connection:
        measure_store(connection, read_policy())
        export_tables(connection, tmp_path, [])
    header, rows = read_csv(tmp_path / "stay_band_time.csv")
    assert {row[header.index("ward")] for row in rows} == set(names)
    assert set(pl.read_parquet(tmp_path / "stay_band_time.parquet")["ward"]) == set(names)


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
