"""Rows kept aside, exported as workbooks, corrected and loaded again: only these, and nothing else changes."""

from pathlib import Path

import fastexcel
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.kept_aside import write_kept_aside
from pipeline.store import open_store
from tests.intake.extracts import Outcome, csv_text, dump, loaded, query, readings, row, write_extract

Capsys = pytest.CaptureFixture[str]


def exported(store: Path, out: Path, load_no: int = 1) -> Path:
    """The workbooks, written by the command together with all else that it exports."""
    assert main(["export", "--store", str(store), "--out", str(out), "--format", "csv"]) == 0
    return out / f"kept-aside-after-load-{load_no}"


def kept_aside(store: Path, out: Path) -> Path:
    """The workbooks alone, by the same step of the command: nothing need be measured for them."""
    with open_store(store) as connection:
        write_kept_aside(connection, out)
    return out / "kept-aside-after-load-1"


def cells(book: Path) -> pl.DataFrame:
    return fastexcel.read_excel(book).load_sheet(0, dtypes="string").to_polars()


def corrected(book: Path, folder: Path, **changes: str) -> Path:
    """The workbook with a column filled anew, in a folder of its own."""
    folder.mkdir(exist_ok=True)
    cells(book).with_columns(pl.lit(value).alias(name) for name, value in changes.items()).write_excel(
        folder / book.name
    )
    return folder


def test_a_kept_aside_row_is_exported_corrected_and_loaded_alone(tmp_path: Path, capsys: Capsys) -> None:
    rows = [*readings(3), row("readings", taken_at="2026-01-06 09:00", spo2_percent="9O")]
    loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")
    book = exported(tmp_path / "s.duckdb", tmp_path / "out") / "readings.xlsx"
    where = cells(book).select("kept_file", "kept_row", "kept_column", "kept_rule", "spo2_percent")
    assert where.rows() == [("readings.csv", "5", "spo2_percent", "not_a_number", "9O")]

    folder = corrected(book, tmp_path / "corrected", spo2_percent="90")
    outcome = loaded(capsys, folder, tmp_path / "s.duckdb", "--corrections")

    assert "up to date" in outcome.out
    assert "No file for" not in outcome.out
    assert query(tmp_path / "s.duckdb", "select taken_at::varchar, spo2_percent from readings order by 1")[-1] == (
        "2026-01-06 09:00:00",
        90.0,
    )
    assert query(tmp_path / "s.duckdb", "select count(*) from readings") == [(4,)]
    # The load as a whole was judged once; a handful of corrected rows are no extract.
    assert query(tmp_path / "s.duckdb", "select distinct load_no from load_verdicts") == [(1,)]


def test_corrected_rows_loaded_twice_change_nothing(tmp_path: Path, capsys: Capsys) -> None:
    rows = [*readings(3), row("readings", taken_at="2026-01-06 09:00", spo2_percent="")]
    loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")
    book = kept_aside(tmp_path / "s.duckdb", tmp_path / "out") / "readings.xlsx"
    folder = corrected(book, tmp_path / "corrected", spo2_percent="91")
    loaded(capsys, folder, tmp_path / "s.duckdb", "--corrections")
    before = dump(tmp_path / "s.duckdb")
    assert "nothing has changed" in loaded(capsys, folder, tmp_path / "s.duckdb", "--corrections").out
    assert dump(tmp_path / "s.duckdb") == before


def test_without_corrections_a_folder_that_lacks_tables_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    loaded(capsys, write_extract(tmp_path / "extract"), tmp_path / "s.duckdb")
    alone = tmp_path / "alone"
    alone.mkdir()
    (alone / "readings.csv").write_text(csv_text([row("readings", taken_at="2026-01-06 09:00")]))
    assert main(["load", str(alone), "--store", str(tmp_path / "s.duckdb")]) == 2
    assert "no file for: stays, targets" in capsys.readouterr().err
    loaded(capsys, alone, tmp_path / "s.duckdb", "--corrections")


def test_a_stay_and_its_rows_come_back_together(tmp_path: Path, capsys: Capsys) -> None:
    """A stay whose admission was no time: its readings are of an unknown stay until it is corrected."""
    stays = [row("stays", admitted_at="Monday"), row("stays", stay_id="ST-0002", patient_key="PK-2")]
    rows = [*readings(2), row("readings", stay_id="ST-0002")]
    targets = [row("targets"), row("targets", stay_id="ST-0002")]
    extract = write_extract(tmp_path / "extract", stays=stays, readings=rows, targets=targets)
    loaded(capsys, extract, tmp_path / "s.duckdb")
    books = kept_aside(tmp_path / "s.duckdb", tmp_path / "out")
    assert sorted(book.name for book in books.iterdir()) == ["readings.xlsx", "stays.xlsx", "targets.xlsx"]
    corrected(books / "stays.xlsx", books, admitted_at=row("stays")["admitted_at"])
    loaded(capsys, books, tmp_path / "s.duckdb", "--corrections")
    assert query(
        tmp_path / "s.duckdb", "select stay_id, count(*) from readings join stays using (stay_no) group by 1"
    ) == [
        ("ST-0002", 1),
        ("ST-0001", 2),
    ]


@pytest.mark.parametrize("ward", ["=1+1", "-Ash", "'Ash", "@Ash"])
def test_a_cell_that_looks_like_a_formula_comes_back_as_it_was(tmp_path: Path, capsys: Capsys, ward: str) -> None:
    wards = [row("wards", ward=ward, entered_at="")]
    loaded(capsys, write_extract(tmp_path / "extract", wards=wards), tmp_path / "s.duckdb")
    book = kept_aside(tmp_path / "s.duckdb", tmp_path / "out") / "wards.xlsx"
    assert cells(book)["ward"].to_list() == [ward]
    folder = corrected(book, tmp_path / "corrected", entered_at=row("wards")["entered_at"])
    loaded(capsys, folder, tmp_path / "s.duckdb", "--corrections")
    assert query(tmp_path / "s.duckdb", "select ward from wards") == [(ward,)]


def test_a_row_of_another_length_stands_on_a_sheet_of_its_own(tmp_path: Path, capsys: Capsys) -> None:
    text = csv_text(readings(2)) + "ST-0001,2026-01-06 09:00,91,18,1,0,spot,one too many\n"
    loaded(capsys, write_extract(tmp_path / "extract", readings=text), tmp_path / "s.duckdb")
    book = kept_aside(tmp_path / "s.duckdb", tmp_path / "out") / "readings.xlsx"
    assert cells(book).height == 0
    sheet = fastexcel.read_excel(book).load_sheet("not split into cells").to_polars()
    assert sheet["kept_row"].to_list() == ["4"]
    assert "one too many" in sheet["text"][0]


def test_a_corrected_workbook_is_never_overwritten(tmp_path: Path, capsys: Capsys) -> None:
    rows = [*readings(1), row("readings", taken_at="2026-01-06 09:00", spo2_percent="")]
    loaded(capsys, write_extract(tmp_path / "extract", readings=rows), tmp_path / "s.duckdb")
    books = kept_aside(tmp_path / "s.duckdb", tmp_path / "out")
    corrected(books / "readings.xlsx", books, spo2_percent="91")
    exported(tmp_path / "s.duckdb", tmp_path / "out")
    assert cells(books / "readings.xlsx")["spo2_percent"].to_list() == ["91"]


# --- keys hashed anew -------------------------------------------------------------------------------------------------


def key_file(folder: Path, text: str = "5f" * 32) -> Path:
    path = folder / "key.txt"
    path.write_text(text)
    path.chmod(0o600)
    return path


def test_a_rekeyed_store_holds_no_key_of_the_extract_and_is_otherwise_the_same(tmp_path: Path, capsys: Capsys) -> None:
    rows = [*readings(3), row("readings", stay_id="ST-0009"), row("readings", taken_at="ST-0001")]
    extract = write_extract(tmp_path / "extract", readings=rows, wards=[row("wards", entered_at="2020-01-01 00:00")])
    loaded(capsys, extract, tmp_path / "plain.duckdb")
    outcome: Outcome = loaded(capsys, extract, tmp_path / "s.duckdb", "--rekey", str(key_file(tmp_path)))
    assert "ST-00" not in outcome.out
    assert b"ST-000" not in (tmp_path / "s.duckdb").read_bytes()
    assert b"ST-000" in (tmp_path / "plain.duckdb").read_bytes()
    everything = "\n".join(map(str, dump(tmp_path / "s.duckdb").values()))
    for secret in ("ST-0001", "ST-0009", row("stays")["patient_key"], "5f5f5f"):
        assert secret not in everything
    same = "select taken_at, spo2_percent from readings order by all"
    assert query(tmp_path / "s.duckdb", same) == query(tmp_path / "plain.duckdb", same)
    counted = "select file_name, rows_read, rows_stored, rows_kept_aside from load_ledger order by all"
    assert query(tmp_path / "s.duckdb", counted) == query(tmp_path / "plain.duckdb", counted)
    assert exported(tmp_path / "s.duckdb", tmp_path / "out").exists() is False


def test_the_same_key_finds_the_same_stays_again(tmp_path: Path, capsys: Capsys) -> None:
    extract, key = write_extract(tmp_path / "extract", readings=readings(3)), str(key_file(tmp_path))
    loaded(capsys, extract, tmp_path / "s.duckdb", "--rekey", key)
    later = write_extract(tmp_path / "later", readings=readings(5))
    loaded(capsys, later, tmp_path / "s.duckdb", "--rekey", key)
    assert query(tmp_path / "s.duckdb", "select count(*) from stays") == [(1,)]
    assert query(tmp_path / "s.duckdb", "select count(*) from readings") == [(5,)]


@pytest.mark.parametrize("first", ["none", "one"])
@pytest.mark.parametrize("then", ["none", "one", "another"])
def test_one_store_has_one_key(tmp_path: Path, capsys: Capsys, first: str, then: str) -> None:
    options: dict[str, list[str]] = {"none": []}
    for name, text in (("one", "1f" * 32), ("another", "2f" * 32)):
        (tmp_path / name).mkdir()
        options[name] = ["--rekey", str(key_file(tmp_path / name, text))]
    store = tmp_path / "s.duckdb"
    loaded(capsys, write_extract(tmp_path / "a"), store, *options[first])
    before = dump(store)
    code = main(
        ["load", str(write_extract(tmp_path / "b", readings=readings(2))), "--store", str(store), *options[then]]
    )
    said = capsys.readouterr().err
    assert code == (0 if first == then else 2)
    if first != then:
        assert "--rekey" in said
        assert "nothing was stored" in said
        assert dump(store) == before
