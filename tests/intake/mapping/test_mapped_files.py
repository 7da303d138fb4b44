"""Files of a hospital as a mapping names them: how they are written, several tables in one, what is missing."""

import contextlib
import csv
import gzip
import io
import json
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ExtractError, IdentifierError
from pipeline.intake.check import typed
from pipeline.intake.mapping.files import mapped_sources
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.ragged import RaggedRow
from pipeline.intake.read import ExtractFile, header, pieces
from pipeline.vocabulary import TABLES
from tests.intake.mapping.hospital import OTHERS, mapped, mapping_of, rows_of, sources, with_others, write

SPECTRUM = Path(__file__).parents[2] / "data" / "csv-spectrum"

READINGS = """
    [readings]
    files = ["obs*"]
    [readings.columns]
    stay_id = "Stay"
    taken_at = "Zeit"
    spo2_percent = "Sättigung"
    """
# A header and a cell that differ in every encoding.
TEXT = "Stay;Zeit;Sättigung;Bemerkung zum Gerät\nÄ-1;2026-01-05 10:00;91,5;größer\nB;2026-01-05 11:00;90;\n"


def refused(folder: Path, text: str) -> str:
    with pytest.raises(ExtractError) as error:
        mapped_sources(folder, mapping_of(folder.parent, text), MappingNotes())
    return str(error.value)


# --- how a file is written -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(path.stem for path in (SPECTRUM / "csvs").glob("*.csv")))
@pytest.mark.parametrize(
    ("delimiter", "encoding"), [(",", "utf-8"), (";", "utf-16"), ("\t", "utf-8-sig"), ("|", "utf-32")]
)
def test_awkward_files_are_read_cell_by_cell(tmp_path: Path, name: str, delimiter: str, encoding: str) -> None:
    # csv-spectrum 2.0.0; with commas in UTF-8 the bytes are its own, else the same text written anew.
    expected = json.loads((SPECTRUM / "json" / f"{name}.json").read_text("utf-8"))
    content = (SPECTRUM / "csvs" / f"{name}.csv").read_bytes()
    if (delimiter, encoding) != (",", "utf-8"):
        text = io.StringIO(newline="")
        csv.writer(text, delimiter=delimiter).writerows(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))
        content = text.getvalue().encode(encoding)
    path = tmp_path / "sample.csv"
    path.write_bytes(content)
    file = ExtractFile("readings", path, "csv", delimiter, encoding)
    columns = header(file)
    rows = pl.concat(pieces(file, columns, [])).drop("row_number").fill_null("")
    # Line ends inside a cell are kept as they stand, also when the file was written anew.
    assert rows.to_dicts() == expected


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
@pytest.mark.parametrize("is_packed", [False, True])
def test_the_declared_encoding_is_read(tmp_path: Path, encoding: str, is_packed: bool) -> None:
    content = TEXT.encode(encoding)
    files = {"obs__csv__gz": gzip.compress(content)} if is_packed else {"obs__csv": content}
    folder = with_others(write(tmp_path / "x", **files), "readings")
    rows = mapped(folder, f'delimiter = ";"\ndecimal = ","\nencoding = "{encoding}"\n{READINGS}')
    assert rows == [
        {"stay_id": "Ä-1", "taken_at": "2026-01-05 10:00", "spo2_percent": "91.5", "Bemerkung zum Gerät": "größer"},
        {"stay_id": "B", "taken_at": "2026-01-05 11:00", "spo2_percent": "90", "Bemerkung zum Gerät": None},
    ]


def test_bytes_that_are_not_of_the_declared_encoding_are_refused_with_their_line(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x", obs__csv=TEXT.encode("utf-16")[:-1]), "readings")
    message = refused(folder, f'delimiter = ";"\nencoding = "utf-16"\n{READINGS}')
    assert "obs.csv is not text in utf-16, as the mapping declares" in message
    assert "line 3" in message


def test_a_delimiter_that_is_not_declared_is_refused_in_words(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x", obs__csv=TEXT), "readings")
    message = refused(folder, READINGS)
    assert "obs.csv does not separate its columns by commas" in message
    assert "declare delimiter" in message


def test_mixed_line_ends_and_a_last_line_without_one_make_no_difference(tmp_path: Path) -> None:
    lines = [f"S{n};2026-01-05 10:{n:02};{80 + n};\r" for n in range(6)]
    text = (
        "Stay;Zeit;Sättigung;x\r\n" + lines[0] + "\n" + lines[1] + "\n" + lines[2][:-1] + "\n" + "".join(lines[3:])[:-1]
    )
    folder = with_others(write(tmp_path / "x", obs__csv=text), "readings")
    rows = mapped(folder, f'delimiter = ";"\n{READINGS}')
    assert [row["spo2_percent"] for row in rows] == [str(80 + n) for n in range(6)]


def test_a_long_file_in_another_encoding_is_read_to_its_end(tmp_path: Path) -> None:
    # Longer than one block of the reader, with characters that block ends cut in two.
    count = 200_000
    lines = "".join(f"Ä{n};2026-01-05 10:00;91,5;größer und länger\n" for n in range(count))
    folder = with_others(
        write(tmp_path / "x", obs__csv=(TEXT.split("\n")[0] + "\n" + lines).encode("utf-16")), "readings"
    )
    [readings] = [
        s for s in sources(folder, f'delimiter = ";"\nencoding = "utf-16"\n{READINGS}') if s.table == "readings"
    ]
    rows = rows_of(readings)
    assert rows["stay_id"].to_list() == [f"Ä{n}" for n in range(count)]
    assert rows["row_number"].to_list() == list(range(2, count + 2))


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "shift_jis"]),
    damage=st.lists(st.tuples(st.integers(0, 300), st.binary(max_size=3), st.integers(0, 3)), min_size=1, max_size=4),
)
def test_a_damaged_file_is_read_or_refused_in_words(
    tmp_path: Path, encoding: str, damage: list[tuple[int, bytes, int]]
) -> None:
    content = (TEXT * 3).replace("ß", "s").encode(encoding, "replace")
    for place, new, taken in damage:
        content = content[:place] + new + content[place + taken :]
    folder = with_others(write(tmp_path / "x", obs__csv=content), "readings")
    text = f'delimiter = ";"\ndecimal = ","\ntime_format = "excel_serial"\nencoding = "{encoding}"\n{READINGS}'
    with contextlib.suppress(ExtractError):
        for source in sources(folder, text):
            rows_of(source)


def test_parquet_and_workbooks_are_mapped_alike(tmp_path: Path) -> None:
    frame = pl.DataFrame({"Stay": ["A"], "Zeit": [datetime(2026, 1, 5, 10)], "Sättigung": [0.915]})
    for name in ("parquet", "xlsx"):
        folder = with_others(write(tmp_path / name), "readings")
        if name == "parquet":
            frame.write_parquet(folder / "obs.parquet")
        else:
            frame.write_excel(folder / "obs.xlsx")
        [row] = mapped(
            folder, f'time_format = "%d/%m/%Y %H:%M"\n{READINGS}\n[readings.units]\nspo2_percent = "fraction"'
        )
        assert row == {"stay_id": "A", "taken_at": "2026-01-05 10:00:00", "spo2_percent": "91.5"}


def test_a_parquet_column_that_holds_lists_is_refused(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x"), "readings")
    pl.DataFrame({"Stay": [["A"]], "Zeit": ["2026-01-05 10:00"], "Sättigung": [91]}).write_parquet(
        folder / "obs.parquet"
    )
    [readings] = [s for s in sources(folder, READINGS) if s.table == "readings"]
    with pytest.raises(ExtractError, match=r"obs\.parquet holds lists, groups or bytes in: Stay"):
        rows_of(readings)


# --- one file for several tables -------------------------------------------------------------------------------

WIDE = """
    missing = "-"
    [readings]
    files = "chart.csv"
    [readings.columns]
    stay_id = "Stay"
    taken_at = "At"
    spo2_percent = "Sats"
    [devices]
    files = "chart.csv"
    [devices.columns]
    stay_id = "Stay"
    started_at = "At"
    device = "Device"
    flow_l_min = "Flow"
    """
CHART = """\
Stay,At,Sats,Device,Flow,Bed
A,2026-01-05 10:00,91,cpap,,7
A,2026-01-05 11:00,92,,,7
A,2026-01-05 12:00,-,other,2,7
A,2026-01-05 13:00,,,3,7
A,2026-01-05 14:00,,,,7
A,2026-01-05 15:00
"""


def test_a_row_of_a_wide_file_belongs_to_the_tables_of_which_it_holds_something(tmp_path: Path) -> None:
    notes, ragged, again = MappingNotes(), list[RaggedRow](), list[RaggedRow]()
    folder = with_others(write(tmp_path / "x", chart__csv=CHART), "readings")
    by_table = {s.table: s for s in sources(folder, WIDE, notes)}
    readings, devices = rows_of(by_table["readings"], ragged), rows_of(by_table["devices"], again)

    assert readings["row_number"].to_list() == [2, 3]
    assert devices["row_number"].to_list() == [2, 4]
    # A row too short to say where it belongs is kept aside once.
    assert [(row.row_number, row.cells) for row in ragged] == [(7, 2)]
    assert again == []
    assert notes.left_out == {("chart.csv", "readings"): 3, ("chart.csv", "devices"): 3, **no_others(notes)}
    assert "chart.csv: 3 rows left out of devices" in notes.left_out_lines()[1]


def no_others(notes: MappingNotes) -> dict[tuple[str, str], int]:
    return {key: rows for key, rows in notes.left_out.items() if key[0] != "chart.csv" and not rows}


def test_columns_that_no_table_uses_come_once_so_that_they_are_searched(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x", chart__csv=CHART), "readings")
    by_table = {s.table: s for s in sources(folder, WIDE)}
    assert by_table["readings"].columns == ["stay_id", "taken_at", "spo2_percent", "Bed"]
    assert by_table["devices"].columns == ["stay_id", "started_at", "device", "flow_l_min"]


def test_both_tables_have_the_fingerprint_of_the_file(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x", chart__csv=CHART), "readings")
    by_table = {s.table: s.fingerprint() for s in sources(folder, WIDE)}
    assert by_table["readings"] == by_table["devices"] != by_table["stays"]


def test_an_empty_required_cell_of_a_file_with_one_table_is_a_row_all_the_same(tmp_path: Path) -> None:
    text = WIDE.partition("[devices]")[0]
    folder = with_others(write(tmp_path / "x", chart__csv=CHART), "readings")
    [readings] = [s for s in sources(folder, text) if s.table == "readings"]
    rows = typed(rows_of(readings), TABLES["readings"], "Europe/London")
    assert rows["rule"].to_list() == [None, None, *["missing_required"] * 3]


def test_gases_of_a_wide_file_with_a_fixed_sample_type_are_told_by_what_was_measured(tmp_path: Path) -> None:
    text = (
        WIDE.partition("[devices]")[0]
        + '[gases]\nfiles = "chart.csv"\nfixed.sample_type = "arterial"\n'
        + '[gases.columns]\nstay_id = "Stay"\ntaken_at = "At"\nph = "pH"\npco2_kpa = "CO2"\n'
    )
    chart = "Stay,At,Sats,pH,CO2\nA,2026-01-05 10:00,91,,\nA,2026-01-05 11:00,91,7.4,\nA,2026-01-05 12:00,,,5\n"
    folder = with_others(write(tmp_path / "x", chart__csv=chart), "readings")
    [gases] = [s for s in sources(folder, text) if s.table == "gases"]
    rows = rows_of(gases)
    assert rows["row_number"].to_list() == [3, 4]
    assert rows["sample_type"].to_list() == ["arterial"] * 2


def test_only_the_rows_with_a_given_value_are_taken(tmp_path: Path) -> None:
    notes = MappingNotes()
    rows = [
        "2026-01-05 10:00,SpO2,91",
        "2026-01-05 10:00,Pulse,80",
        "2026-01-05 11:00, spo2 ,92",
        "2026-01-05 12:00,,1",
    ]
    text = "Stay,At,What,Value\n" + "".join(f"A,{row}\n" for row in rows)
    mapping = """
        [readings]
        files = "long.csv"
        [readings.columns]
        stay_id = "Stay"
        taken_at = "At"
        spo2_percent = "Value"
        [readings.only]
        "what" = ["SPO2"]
        """
    folder = with_others(write(tmp_path / "x", long__csv=text), "readings")
    assert [row["spo2_percent"] for row in mapped(folder, mapping, "readings", notes)] == ["91", "92"]
    assert notes.left_out["long.csv", "readings"] == 2


def test_one_file_may_serve_a_table_twice(tmp_path: Path) -> None:
    text = "Stay,At,COPD,Alert\nA,2026-01-05 10:00,Y,N\nB,2026-01-05 11:00,Y,Y\n"
    section = """
        [[flags]]
        files = "risk.csv"
        columns = {{stay_id = "Stay", flagged_at = "At"}}
        only = {{{0} = "Y"}}
        fixed.flag = "{1}"
        """
    mapping = section.format("COPD", "copd") + section.format("Alert", "oxygen_alert")
    folder = with_others(write(tmp_path / "x", risk__csv=text))
    found = [rows_of(s).select("stay_id", "flag").rows() for s in sources(folder, mapping) if s.table == "flags"]
    assert found == [[("A", "copd"), ("B", "copd")], [("B", "oxygen_alert")]]


# --- names -----------------------------------------------------------------------------------------------------


def test_names_of_files_and_columns_are_found_whatever_their_capitals_and_blanks(tmp_path: Path) -> None:
    folder = with_others(
        write(tmp_path / "x", **{"OBS_2026-01__CSV": "STAY ,zeit,SÄTTIGUNG\nA,2026-01-05 10:00,91\n"}), "readings"
    )
    assert mapped(folder, READINGS) == [{"stay_id": "A", "taken_at": "2026-01-05 10:00", "spo2_percent": "91"}]


def test_a_column_of_the_hospital_with_a_name_of_the_extract_is_not_mistaken_for_it(tmp_path: Path) -> None:
    text = "Stay,Zeit,Sättigung,source,row_number\nA,2026-01-05 10:00,91,import,5\n"
    folder = with_others(write(tmp_path / "x", obs__csv=text), "readings")
    [row] = mapped(folder, READINGS)
    assert row == {
        "stay_id": "A",
        "taken_at": "2026-01-05 10:00",
        "spo2_percent": "91",
        "source (not mapped)": "import",
        "row_number (of the file)": "5",
    }


def test_missing_columns_of_all_files_are_named_with_the_nearest(tmp_path: Path) -> None:
    folder = write(
        tmp_path / "x",
        obs1__csv="Stay,Zeit,Sättigng\n",
        obs2__csv="Stay,Zeit,Sättigung,Zeit\n",
        targets__csv="stay_id,prescribed_at\n",
        stays__csv=OTHERS["stays.csv"],
    )
    message = refused(folder, READINGS)
    assert "obs1.csv, [readings] spo2_percent = 'Sättigung' is not there (perhaps 'Sättigng')" in message
    assert "obs2.csv, [readings] taken_at = 'Zeit' more than once" in message
    assert "targets.csv lacks the required lower_percent, upper_percent of targets" in message


def test_a_required_table_without_a_file_is_refused_with_the_patterns_looked_for(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x", observations__csv="a\n"), "readings")
    message = refused(folder, READINGS.replace("obs*", "chart_*.csv"))
    assert "has no file for: readings. The mapping looks for readings: chart_*.csv" in message
    assert "observations.csv" in message


def test_a_table_that_comes_from_elsewhere_needs_no_file(tmp_path: Path) -> None:
    folder = write(tmp_path / "x", targets__csv=OTHERS["targets.csv"])
    found, _ = mapped_sources(folder, mapping_of(tmp_path, ""), MappingNotes(), elsewhere=("stays", "readings"))
    assert [source.table for source in found] == ["targets"]


def test_files_that_no_section_names_are_listed(tmp_path: Path) -> None:
    folder = with_others(
        write(tmp_path / "x", obs__csv=TEXT.replace(";", ","), notes__txt="x", readings__csv="x"), "readings"
    )
    found, strangers = mapped_sources(folder, mapping_of(tmp_path, READINGS), MappingNotes())
    assert [source.name for source in found] == ["stays.csv", "obs.csv", "targets.csv"]
    assert strangers == ["notes.txt", "readings.csv"]


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    assert "cannot be read" in refused(tmp_path / "nowhere", "")


def test_a_column_that_identifies_people_by_its_name_stops_the_load_mapped_or_not(tmp_path: Path) -> None:
    text = "Stay,Zeit,Sättigung,Patient Name\n"
    folder = with_others(write(tmp_path / "x", obs__csv=text), "readings")
    with pytest.raises(IdentifierError, match="Patient Name"):
        sources(folder, READINGS)
    with pytest.raises(IdentifierError, match="Patient Name"):
        sources(folder, READINGS.replace('"Stay"', '"Patient Name"'))
