"""Cells of a hospital in the words of the extract: units, decimal commas, times, codes, empty cells."""

from pathlib import Path

import pandas as pd
import polars as pl
import pytest

from pipeline.intake.check import typed
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.vocabulary import TABLES
from tests.intake.mapping.hospital import mapped, rows_of, sources, with_others, write


def column(folder: Path, cells: list[str], table: str, name: str, section: str = "") -> list[object]:
    """What the cells of one column of a file become under a section of the mapping."""
    required = [c.name for c in TABLES[table].columns if c.required and c.name != name]
    lines = [",".join([*required, "own"]), *(",".join([*("x" for _ in required), f'"{cell}"']) for cell in cells)]
    write(folder, own__csv="\n".join(lines))
    with_others(folder, table)
    columns = "\n".join([*(f'{c} = "{c}"' for c in required), f'{name} = "own"'])
    keys, sub_section = ("", section) if section.startswith("[") else (section, "")
    text = f"[{table}]\nfiles = 'own.csv'\n{keys}\n[{table}.columns]\n{columns}\n{sub_section}\n"
    return [row[name] for row in mapped(folder, text, table)]


# --- units ------------------------------------------------------------------------------------------------------


def test_pressures_in_mmhg_become_kpa(tmp_path: Path) -> None:
    # 45 mmHg = 5.999507 kPa: NIST SP 811, also computed by the units library pint 0.25.
    cells = column(tmp_path / "x", ["45", "40.0", "6.2"], "gases", "pco2_kpa", '[gases.units]\npco2_kpa = "mmHg"')
    assert cells == ["5.999507", "5.332895", "0.826599"]


def test_percent_and_fraction_are_converted_both_ways_without_stray_decimals(tmp_path: Path) -> None:
    percent = [str(n) for n in range(21, 101)]
    as_fraction = column(
        tmp_path / "a", percent, "devices", "fio2_fraction", '[devices.units]\nfio2_fraction = "percent"'
    )
    assert [float(str(cell)) for cell in as_fraction] == [n / 100 for n in range(21, 101)]
    fraction = [f"0.{n}" for n in range(50, 100)]
    as_percent = column(
        tmp_path / "b", fraction, "readings", "spo2_percent", '[readings.units]\nspo2_percent = "fraction"'
    )
    assert as_percent == [f"{n}.0" for n in range(50, 100)]


def test_hydrogen_ions_become_ph(tmp_path: Path) -> None:
    # 40 nmol/L is pH 7.40 and 50 nmol/L pH 7.30 (7.398 and 7.301): -log10 of mol/L, the definition of pH.
    cells = column(tmp_path / "x", ["40", "50", "100"], "gases", "ph", '[gases.units]\nph = "nmol/L"')
    assert cells == ["7.39794", "7.30103", "7.0"]


def test_the_declared_unit_goes_with_the_source_for_messages(tmp_path: Path) -> None:
    folder = with_others(write(tmp_path / "x", gases__csv="stay_id,taken_at,sample_type,pco2_kpa\nA,B,arterial,45\n"))
    [gases] = [s for s in sources(folder, '[gases.units]\npco2_kpa = "mmHg"') if s.table == "gases"]
    assert gases.units == {"pco2_kpa": "mmHg"}


def test_cells_that_are_no_numbers_stay_as_they_are(tmp_path: Path) -> None:
    cells = column(
        tmp_path / "x", ["n/d", "45 mmHg", "nan", "inf", ""], "gases", "pco2_kpa", '[gases.units]\npco2_kpa = "mmHg"'
    )
    assert cells == ["n/d", "45 mmHg", "nan", "inf", None]


# --- numbers and empty cells -----------------------------------------------------------------------------------


def test_decimal_commas_become_points_and_nothing_else_does(tmp_path: Path) -> None:
    cells = column(
        tmp_path / "x", ["7,35", "-1,5", "7.35", "1,2,3", "7,", "7,4 a", "8"], "gases", "ph", 'decimal = ","'
    )
    assert cells == ["7.35", "-1.5", "7.35", "1,2,3", "7,", "7,4 a", "8"]


def test_a_decimal_comma_that_is_not_declared_is_not_guessed(tmp_path: Path) -> None:
    assert column(tmp_path / "x", ["7,35"], "gases", "ph") == ["7,35"]


def test_missing_words_are_empty_whatever_their_capitals_and_only_as_whole_cells(tmp_path: Path) -> None:
    cells = column(
        tmp_path / "x", [" null ", "N/A", "nullify", "-", "-1"], "wards", "ward", 'missing = ["NULL", "n/a", "-"]'
    )
    assert cells == [None, None, "nullify", None, "-1"]


# --- codes ------------------------------------------------------------------------------------------------------


def test_codes_are_translated_and_others_pass_unchanged(tmp_path: Path) -> None:
    section = '[devices.codes.device]\n"Nasal specs" = "nasal_cannula"\n"Not charted" = ""'
    cells = column(tmp_path / "x", [" NASAL  specs", "Hood", "cpap", "not charted"], "devices", "device", section)
    assert cells == ["nasal_cannula", "Hood", "cpap", None]


def test_a_star_stands_for_every_other_word_and_leaves_codes_and_numbers_alone(tmp_path: Path) -> None:
    section = '[devices.codes.device]\n"Specs" = "nasal_cannula"\n"*" = "other"'
    assert column(tmp_path / "a", ["specs", "Hood", "cpap", ""], "devices", "device", section) == [
        "nasal_cannula",
        "other",
        "cpap",
        None,
    ]
    section = '[devices.codes.fio2_fraction]\n"Venturi 28%" = 0.28\n"*" = ""'
    cells = column(tmp_path / "b", ["venturi 28%", "0.4", "Specs"], "devices", "fio2_fraction", section)
    assert cells == ["0.28", "0.4", None]


def test_one_column_may_give_device_and_printed_concentration(tmp_path: Path) -> None:
    folder = with_others(
        write(tmp_path / "x", o2__csv="E,T,Device\nA,2026-01-05 10:00,Venturi 28%\nA,2026-01-05 11:00,Specs\n")
    )
    rows = mapped(
        folder,
        """
        [devices]
        files = "o2.csv"
        [devices.columns]
        stay_id = "E"
        started_at = "T"
        device = "Device"
        fio2_fraction = "Device"
        [devices.codes.device]
        "Venturi 28%" = "air_entrainment_mask"
        "Specs" = "nasal_cannula"
        [devices.codes.fio2_fraction]
        "Venturi 28%" = 0.28
        "*" = ""
        """,
        "devices",
    )
    assert [(row["device"], row["fio2_fraction"]) for row in rows] == [
        ("air_entrainment_mask", "0.28"),
        ("nasal_cannula", None),
    ]


def test_unknown_codes_are_listed_once_each_with_their_rows(tmp_path: Path) -> None:
    notes = MappingNotes()
    words = ["Hood"] * 3 + ["Blow-by"] * 2 + ["cpap", "Specs", ""]
    lines = "".join(f"A,2026-01-05 10:00,{word}\n" for word in words)
    folder = with_others(write(tmp_path / "x", devices__csv="stay_id,started_at,device\n" + lines))
    mapped(folder, '[devices.codes.device]\n"Specs" = "nasal_cannula"', "devices", notes)
    assert notes.unknown_code_lines() == ['[devices.codes.device] does not know, in 5 rows: "Hood" (3), "Blow-by" (2)']


@pytest.mark.parametrize(
    "cell",
    [
        "Oxygen-mask-of-the-third-kind-by-a-maker-X",
        "someone@example.org",
        "05/01/2026",
        "01632 960123",
        "EC1A 1BB",
        "4857773456",
        "Mrs Example",
    ],
)
def test_a_word_that_could_be_somebodys_is_counted_and_not_shown(tmp_path: Path, cell: str) -> None:
    # An invented name; a telephone number of the range that Ofcom keeps for drama; a postcode of a post office.
    notes = MappingNotes()
    lines = f"A,2026-01-05 10:00,{cell}\nA,2026-01-05 11:00,Hood\n"
    folder = with_others(write(tmp_path / "x", devices__csv="stay_id,started_at,device\n" + lines))
    mapped(folder, "", "devices", notes)
    [line] = notes.unknown_code_lines()
    assert line == '[devices.codes.device] does not know, in 2 rows: "Hood" (1), 1 more word that is not shown'


def test_a_column_of_free_text_does_not_fill_the_screen(tmp_path: Path) -> None:
    notes = MappingNotes()
    notes.add_unknown_codes("devices", "device", pl.DataFrame({"w": [f"w{n}" for n in range(5000)], "n": [1] * 5000}))
    [line] = notes.unknown_code_lines()
    assert "in 5,000 rows" in line
    assert len(line) < 400


def test_numeric_codes_as_spreadsheets_write_them_are_known(tmp_path: Path) -> None:
    notes = MappingNotes()
    text = "stay_id,taken_at,spo2_percent,ews_scale\nA,2026-01-05 10:00,91,1.0\nA,2026-01-05 11:00,91,3\n"
    mapped(with_others(write(tmp_path / "x", readings__csv=text), "readings"), "", "readings", notes)
    assert notes.unknown_code_lines() == ['[readings.codes.ews_scale] does not know, in 1 row: "3" (1)']


# --- times ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time_format", "written", "meant"),
    [
        ("%d/%m/%Y %H:%M", "05/01/2026 09:07", "2026-01-05 09:07:00"),
        ("%d/%m/%Y %H:%M", "5/1/2026 9:07", "2026-01-05 09:07:00"),
        ("%m/%d/%Y %H:%M", "05/01/2026 09:07", "2026-05-01 09:07:00"),
        ("%d.%m.%y %H:%M:%S", "05.01.26 09:07:08", "2026-01-05 09:07:08"),
        ("%m/%d/%Y %I:%M %p", "1/5/2026 12:07 AM", "2026-01-05 00:07:00"),
        ("%m/%d/%Y %I:%M %p", "1/5/2026 12:07 pm", "2026-01-05 12:07:00"),
        ("%d-%b-%Y %H:%M", "05-Jan-2026 09:07", "2026-01-05 09:07:00"),
        ("%d-%b-%Y %H:%M", "05-JAN-2026 09:07", "2026-01-05 09:07:00"),
        ("%Y%m%d%H%M", "202601050907", "2026-01-05 09:07:00"),
        ("%d/%m/%Y %H:%M:%S.%f", "05/01/2026 09:07:08.950", "2026-01-05 09:07:08"),
        ("%d/%m/%Y %H:%M %z", "05/01/2026 09:07 +0100", "2026-01-05 08:07:00Z"),
    ],
)
def test_times_are_read_as_declared(tmp_path: Path, time_format: str, written: str, meant: str) -> None:
    # Meaning of the directives: IEEE Std 1003.1 (strptime).
    assert column(tmp_path / "x", [written], "wards", "entered_at", f'time_format = "{time_format}"') == [meant]


@pytest.mark.parametrize("written", ["31/02/2026 10:00", "05/01/2026", "05/13/2026 10:00", "05/01/2026 24:00", "soon"])
def test_times_that_do_not_fit_the_declaration_stay_and_are_kept_aside(tmp_path: Path, written: str) -> None:
    assert column(tmp_path / "x", [written], "wards", "entered_at", 'time_format = "%d/%m/%Y %H:%M"') == [written]


def test_a_second_that_no_clock_shows_is_no_time(tmp_path: Path) -> None:
    section = 'time_format = "%d/%m/%Y %H:%M:%S"'
    cells = column(tmp_path / "x", ["05/01/2026 09:07:60"], "wards", "entered_at", section)
    assert cells == ["05/01/2026 09:07:60"]


def test_iso_is_read_beside_the_declared_format_and_day_and_month_are_never_guessed(tmp_path: Path) -> None:
    cells = ["2026-01-05 09:07", "05/01/2026 09:07"]
    assert column(tmp_path / "a", cells, "wards", "entered_at", 'time_format = "%d/%m/%Y %H:%M"') == [
        "2026-01-05 09:07",
        "2026-01-05 09:07:00",
    ]
    assert column(tmp_path / "b", cells, "wards", "entered_at") == cells


def test_several_formats_may_stand_in_one_column(tmp_path: Path) -> None:
    section = 'time_format = ["%d/%m/%Y %H:%M", "%d/%m/%Y %H:%M:%S"]'
    cells = column(tmp_path / "x", ["05/01/2026 09:07", "05/01/2026 09:07:08"], "wards", "entered_at", section)
    assert cells == ["2026-01-05 09:07:00", "2026-01-05 09:07:08"]


def test_date_and_time_of_day_in_two_columns_are_one_time(tmp_path: Path) -> None:
    text = "stay,d,t\nA,05/01/2026,9:07\nA,05/01/2026,\nA,,9:07\nA,,\n"
    folder = with_others(write(tmp_path / "x", w__csv=text))
    mapping = """
        [wards]
        files = "w.csv"
        time_format = "%d/%m/%Y %H:%M"
        [wards.columns]
        stay_id = "stay"
        entered_at = ["d", "t"]
        [wards.fixed]
        ward = "Hazel"
        """
    rows = mapped(folder, mapping, "wards")
    # Half a time is not completed; the check keeps it aside.
    assert [row["entered_at"] for row in rows] == ["2026-01-05 09:07:00", "05/01/2026", "9:07", None]


@pytest.mark.parametrize(
    "cell", [46_027.379861111112, 46_027.0, 45_351.5, 44_985.999988425926, 25_569.0, 73_050.75], ids=str
)
def test_serial_days_of_spreadsheets_become_times(tmp_path: Path, cell: float) -> None:
    [found] = column(tmp_path / "x", [repr(cell)], "wards", "entered_at", 'time_format = "excel_serial"')
    expected = pd.to_datetime(cell, unit="D", origin="1899-12-30").round("s")
    assert found == expected.strftime("%Y-%m-%d %H:%M:%S")


def test_the_serial_day_that_spreadsheet_help_gives_as_an_example(tmp_path: Path) -> None:
    # 1 January 2008 is 39448: help text of the function DATE, from memory.
    [found] = column(tmp_path / "x", ["39448"], "wards", "entered_at", 'time_format = "excel_serial"')
    assert found == "2008-01-01 00:00:00"


def test_serial_days_with_a_decimal_comma_are_read_too(tmp_path: Path) -> None:
    section = 'time_format = "excel_serial"\ndecimal = ","'
    assert column(tmp_path / "x", ["46027,5"], "wards", "entered_at", section) == ["2026-01-05 12:00:00"]


@pytest.mark.parametrize("cell", ["-1", "1e9", "today", "2026-01-05 10:00"])
def test_what_is_no_serial_day_stays_as_it_is(tmp_path: Path, cell: str) -> None:
    assert column(tmp_path / "x", [cell], "wards", "entered_at", 'time_format = "excel_serial"') == [cell]


def test_mapped_times_take_part_in_clock_changes_like_any_local_time(tmp_path: Path) -> None:
    # In London the clocks went forward on 29 March 2026 at 01:00 and go back on 25 October 2026 at 02:00 (tz database).
    text = "stay_id,ward,entered_at\nA,Hazel,29/03/2026 01:30\nA,Hazel,25/10/2026 01:30\n"
    folder = with_others(write(tmp_path / "x", wards__csv=text))
    [wards] = [s for s in sources(folder, '[wards]\ntime_format = "%d/%m/%Y %H:%M"') if s.table == "wards"]
    rows = typed(rows_of(wards), TABLES["wards"], "Europe/London")
    assert rows["rule"].to_list() == ["local_time_does_not_exist", None]
    assert rows["ambiguous"].to_list() == [0, 1]
