"""A first mapping from what the files show: read without a fault, right where the files are plain, never telling."""

import csv
import io
import re
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ExtractError
from pipeline.intake.check import typed
from pipeline.intake.mapping.declaration import TableMapping
from pipeline.intake.mapping.files import mapped_sources
from pipeline.intake.mapping.notes import MappingNotes
from pipeline.intake.sketch.draft import sketch_mapping
from pipeline.intake.sketch.times import guess_times
from pipeline.vocabulary import TABLES
from tests.intake.mapping.hospital import mapping_of, rows_of, write

DEVICES = ["Nasal specs", "Venturi 28%", "Venturi 35%", "RA", "NRB mask", "Blow-by", "NULL"]


def chart(first: datetime, rows: int) -> str:
    """A wide chart: date and time of day apart, decimal commas, readings and devices in one row, a bed and a name."""
    lines = ["Encounter ID;Obs Date;Obs time;SpO2 (%);Resp Rate;O2 Device;O2 Flow (L/min);Bed;Patient Name"]
    for n in range(rows):
        at = first + timedelta(hours=7 * n)
        cells = [f"E{n % 9}", f"{at:%d/%m/%Y}", f"{at:%H:%M}", str(85 + n % 15), str(12 + n % 9)]
        lines.append(";".join([*cells, DEVICES[n % 7], ("2,5", "4,0", "")[n % 3], str(n % 8), "Example Person"]))
    return "\n".join(lines)


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """An invented export of a month: two charts, stays, gases in mmHg, targets in one cell, one observation a row."""
    start = datetime(2026, 1, 1)
    stays = [f"E{n},P{n},{start + timedelta(days=n):%d/%m/%Y %H:%M},,F" for n in range(20)]
    gases = [f"E{n},2026-01-05 10:0{n},ART,7.3{n},{40 + n},{60 + 3 * n}" for n in range(9)]
    targets = [f"E{n},2026-01-05 10:0{n},{('88-92', '94 - 98%')[n % 2]}" for n in range(9)]
    long = [f"E{n % 9},05-Jan-2026 10:{n:02},{('SpO2', 'Heart rate')[n % 2]},{90 + n % 9}" for n in range(60)]
    return write(
        tmp_path / "export",
        **{
            "obs_2026-01__csv": chart(start, 60).encode("utf-16"),
            "obs_2026-02__csv": chart(start + timedelta(days=31), 60).encode("utf-16"),
            "spells__csv": "SpellNo,PatientID,AdmissionDateTime,DischargeDateTime,Sex\n" + "\n".join(stays),
            "abg__csv": "Encounter,Collected,Specimen,pH,pCO2,pO2\n" + "\n".join(gases),
            "rx__csv": "Encounter,Ordered,Target\n" + "\n".join(targets),
            "long__csv": "Encounter,Charted,Observation,Value\n" + "\n".join(long),
            "noheader__csv": "E1,2026-01-05 10:00,Example Person,97\nE2,2026-01-05 11:00,Other Person,98\n",
            "letter__pdf": "x",
            "broken__parquet": "x",
        },
    )


def of(sections: list[TableMapping], pattern: str) -> TableMapping:
    [found] = [section for section in sections if section.files == (pattern,)]
    return found


def test_a_plain_export_is_understood(tmp_path: Path, export: Path) -> None:
    mapping = mapping_of(tmp_path, sketch_mapping(export))

    [stays] = mapping.of("stays")
    assert stays.columns["stay_id"] == ("SpellNo",)
    assert stays.columns["patient_key"] == ("PatientID",)
    assert stays.columns["admitted_at"] == ("AdmissionDateTime",)
    assert stays.columns["discharged_at"] == ("DischargeDateTime",)
    assert stays.time_formats == ("%d/%m/%Y %H:%M",)

    chart = of(mapping.of("readings"), "obs_*.csv")
    assert (chart.delimiter, chart.decimal, chart.encoding) == (";", ",", "utf-16")
    assert chart.columns["taken_at"] == ("Obs Date", "Obs time")
    assert chart.columns["spo2_percent"] == ("SpO2 (%)",)
    assert chart.columns["respiratory_rate"] == ("Resp Rate",)

    [devices] = mapping.of("devices")
    assert devices.codes["device"] == {
        "nasal specs": "nasal_cannula",
        "venturi 28%": "air_entrainment_mask",
        "venturi 35%": "air_entrainment_mask",
        "ra": "room_air",
        "nrb mask": "reservoir_mask",
    }
    assert devices.codes["fio2_fraction"] == {"venturi 28%": "0.28", "venturi 35%": "0.35", "*": ""}
    assert devices.columns["flow_l_min"] == ("O2 Flow (L/min)",)
    assert devices.missing == ("null",)

    [gases] = mapping.of("gases")
    assert gases.units == {"pco2_kpa": "mmHg", "po2_kpa": "mmHg"}
    assert gases.codes["sample_type"] == {"art": "arterial"}

    [targets] = mapping.of("targets")
    assert targets.codes["lower_percent"] == {"88-92": "88", "94 - 98%": "94"}
    assert targets.codes["upper_percent"] == {"88-92": "92", "94 - 98%": "98"}

    long = of(mapping.of("readings"), "long.csv")
    assert long.columns["spo2_percent"] == ("Value",)
    assert long.only == {"Observation": ("SpO2",)}
    assert long.time_formats == ("%d-%b-%Y %H:%M",)


def test_the_rows_of_a_plain_export_can_be_used_with_the_sketch_as_it_is(tmp_path: Path, export: Path) -> None:
    # As the sketch asks: the column with names taken out.
    for path in export.glob("obs_*.csv"):
        lines = path.read_bytes().decode("utf-16").splitlines()
        path.write_bytes("\n".join(line.rpartition(";")[0] for line in lines).encode("utf-16"))
    sources, _ = mapped_sources(export, mapping_of(tmp_path, sketch_mapping(export)), MappingNotes())
    faults = {
        (source.table, rule, column)
        for source in sources
        for rule, column in typed(rows_of(source), TABLES[source.table], "Europe/London")
        .filter(pl.col("rule").is_not_null())
        .select("rule", "fault_column")
        .unique()
        .rows()
    }
    # The one word that was left for a person.
    assert faults == {("devices", "unknown_code", "device")}


def test_what_could_not_be_guessed_stands_there_commented_out(export: Path) -> None:
    text = sketch_mapping(export)
    assert '# "Blow-by" = "?"' in text
    assert '# ews_scale = "?"  # not found' in text
    assert "# wards: no file found that holds it" in text
    assert "# noheader.csv: not understood (4 columns). Is its first row a header?" in text
    assert "# letter.pdf: not read" in text
    assert "# broken.parquet: not read" in text
    assert "columns not used: Bed." in text
    assert "these columns stop a load, take them out of the export: Patient Name." in text


def test_every_guess_has_a_comment(export: Path) -> None:
    lines = sketch_mapping(export).splitlines()
    guesses = [line for line in lines if " = " in line and not line.startswith(("#", "timezone"))]
    assert len(guesses) > 40
    # The line of `only` is explained above it.
    assert [line for line in guesses if "  # " not in line] == ['"Observation" = ["SpO2"]']


def test_no_key_time_measured_value_or_name_is_repeated(export: Path) -> None:
    text = sketch_mapping(export)
    for told in ("Person", "E1", "P1", "2026-01-05", "05/01", "10:0", "7.3", "2,5"):
        assert told not in text, told


def test_words_that_could_be_somebodys_are_not_repeated(tmp_path: Path) -> None:
    words = ["Nasal specs", "someone@example.org", "05/01/2026", "Oxygen-mask-of-the-third-kind-by-a-maker-X"]
    rows = "".join(f"A,2026-01-05 1{n}:00,{words[min(n, 1) * (n % 4)]}\n" for n in range(8))
    text = sketch_mapping(write(tmp_path / "x", d__csv="Stay,Charted,O2 device\n" + rows))
    assert '"Nasal specs" = "nasal_cannula"' in text
    assert not [word for word in words[1:] if word in text]
    assert "many more words, may stand there" in text


def test_a_column_of_names_is_never_taken_for_a_key(tmp_path: Path) -> None:
    folder = write(tmp_path / "x", s__csv="Stay,Patient Name,Admitted\nA,Example Person,2026-01-05 10:00\n")
    text = sketch_mapping(folder)
    assert "# stays: nothing was found for patient_key" in text
    assert "take them out of the export: Patient Name." in text


def test_a_header_with_a_sign_that_nobody_sees_is_written_as_toml_asks(tmp_path: Path) -> None:
    folder = write(tmp_path / "x", r__csv="Stay,Charted,SpO2\x7f\nA,2026-01-05 10:00,91\n")
    [readings] = mapping_of(tmp_path, sketch_mapping(folder)).of("readings")
    assert readings.columns["spo2_percent"] == ("SpO2\x7f",)


def test_a_table_without_a_required_column_is_left_for_completion(tmp_path: Path) -> None:
    folder = write(tmp_path / "x", a__csv="Charted,Sats\n2026-01-05 10:00,91\n")
    text = sketch_mapping(folder)
    assert "# readings: nothing was found for stay_id, which must be there." in text
    assert mapping_of(tmp_path, text).tables == ()
    # Completed by taking the first sign of each line away, and naming the column.
    block = text[text.index("# [readings]") : text.index("# devices:")]
    completed = re.sub(r"(?m)^# ?", "", block).replace('stay_id = "?"', 'stay_id = "Charted"')
    assert mapping_of(tmp_path, completed).of("readings")[0].columns["spo2_percent"] == ("Sats",)


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (["05/01/2026 10:00", "13/01/2026 10:00"], '["%d/%m/%Y %H:%M"]'),
        (["05/01/2026 10:00", "01/13/2026 10:00"], '["%m/%d/%Y %H:%M"]'),
    ],
)
def test_the_order_of_day_and_month_is_taken_from_a_number_over_twelve(
    tmp_path: Path, times: list[str], expected: str
) -> None:
    folder = write(tmp_path / "x", a__csv="Stay,Charted,Sats\n" + "".join(f"A,{time},91\n" for time in times))
    assert f"\ntime_format = {expected}" in sketch_mapping(folder)


def test_the_order_of_day_and_month_is_never_guessed(tmp_path: Path) -> None:
    folder = write(tmp_path / "x", a__csv="Stay,Charted,Sats\nA,05/01/2026 10:00,91\nA,06/02/2026 10:00,92\n")
    text = sketch_mapping(folder)
    assert "\ntime_format" not in text
    assert '# time_format = ["%d/%m/%Y %H:%M"]' in text
    assert '# time_format = ["%m/%d/%Y %H:%M"]' in text


@pytest.mark.parametrize(
    ("cells", "what", "formats"),
    [
        (["2026-01-05 10:00", "2026-01-05T10:00:30Z"], "time", ()),
        (["05/01/2026 10:00", "5/1/2026 9:00:30"], "time", ("{1}/{2}/%Y %H:%M", "{1}/{2}/%Y %H:%M:%S")),
        (["1/5/2026 9:00 AM"], "time", ("{1}/{2}/%Y %I:%M %p",)),
        (["05.01.26 10:00"], "time", ("{1}.{2}.%y %H:%M",)),
        (["2026/01/05 10:00"], "time", ("%Y/%m/%d %H:%M",)),
        (["05-Jan-2026 10:00"], "time", ("%d-%b-%Y %H:%M",)),
        (["20260105 1000"], "time", ("%Y%m%d %H%M",)),
        (["202601051000"], "time", ("%Y%m%d%H%M",)),
        (["46027.5", "46028.0"], "time", ("excel_serial",)),
        (["05/01/2026"], "date", ("{1}/{2}/%Y",)),
        (["9:05", "10:05:30"], "clock", ("%H:%M", "%H:%M:%S")),
    ],
)
def test_how_times_are_written_is_seen(cells: list[str], what: str, formats: tuple[str, ...]) -> None:
    guess = guess_times(pl.Series(cells))
    assert guess is not None
    assert (guess.what, guess.formats) == (what, formats)


@pytest.mark.parametrize(
    "cells", [["46027", "46028"], ["91", "92"], ["E1", "E2"], ["10:00", "x", "y"], [], ["12345678"]]
)
def test_what_is_no_time_is_taken_for_none(cells: list[str]) -> None:
    guess = guess_times(pl.Series(cells, dtype=pl.String))
    assert guess is None or guess.what != "time"


@pytest.mark.parametrize(
    ("values", "unit"), [("4.8 5.5 6.2", None), ("38 45 60", "mmHg"), ("15 18.1 24", "mmHg"), ("12 13 14", None)]
)
def test_the_unit_of_a_pressure_is_the_one_that_its_values_fit(tmp_path: Path, values: str, unit: str | None) -> None:
    rows = "".join(f"A,2026-01-05 10:0{n},arterial,{value}\n" for n, value in enumerate(values.split()))
    folder = write(tmp_path / "x", g__csv="Stay,Taken,Sample,PaCO2\n" + rows)
    [gases] = mapping_of(tmp_path, sketch_mapping(folder)).of("gases")
    assert gases.units.get("pco2_kpa") == unit


def test_files_with_other_columns_under_like_names_are_told_apart(tmp_path: Path) -> None:
    folder = write(
        tmp_path / "x",
        obs_1__csv="Stay,Charted,Sats\nA,2026-01-05 10:00,91\n",
        obs_2__csv="Stay,Charted,SpO2\nA,2026-01-05 10:00,91\n",
    )
    sections = mapping_of(tmp_path, sketch_mapping(folder)).of("readings")
    assert [section.files for section in sections] == [("obs_1.csv",), ("obs_2.csv",)]


def test_a_folder_that_is_not_there_is_refused_and_an_empty_one_gives_a_valid_sketch(tmp_path: Path) -> None:
    with pytest.raises(ExtractError, match="cannot be read"):
        sketch_mapping(tmp_path / "nowhere")
    assert mapping_of(tmp_path, sketch_mapping(write(tmp_path / "x"))).tables == ()


HEADERS = [
    "Stay",
    "Charted",
    "SpO2",
    "O2 device",
    "pH",
    "pCO2",
    "Target",
    "Flag",
    "Ward in",
    "Ward",
    "Value",
    "Test",
    "x\x7f",
    "#",
    '"',
    "\\",
]
CELLS = [
    "A",
    "91",
    "2026-01-05 10:00",
    "05/01/2026 10:00",
    "7,4",
    "88-92",
    "COPD",
    "Specs",
    "SpO2",
    "",
    '"',
    "\\n",
    "#",
    "\x7f",
    "é",
]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    columns=st.lists(st.sampled_from(HEADERS) | st.text(max_size=8), min_size=1, max_size=7),
    rows=st.lists(st.lists(st.sampled_from(CELLS) | st.text(max_size=6), max_size=7), max_size=6),
    sign=st.sampled_from([",", ";", "\t", "|"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "latin-1"]),
)
def test_whatever_a_file_holds_the_sketch_is_a_mapping_that_can_be_read(
    tmp_path: Path, columns: list[str], rows: list[list[str]], sign: str, encoding: str
) -> None:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=sign).writerows([columns, *((row + [""] * 7)[: len(columns)] for row in rows)])
    folder = write(tmp_path / "x", any__csv=text.getvalue().encode(encoding, "replace"))
    mapping_of(tmp_path, sketch_mapping(folder))
