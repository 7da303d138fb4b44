"""A folder of OMOP CDM 5.4 tables as an outsider writes it, through `bandaudit load`; counted by hand.

Concept ids: sources in pipeline/intake/omop/concepts.py; those of the units mmHg (8876), kPa (44777602), % (8554) and
of LOINC 59408-5 (40762499), 3151-8 (3005629), 2744-1 (3019977), 2019-8 (3027946), 2703-7 (3027801) and 9279-1 (3024171)
also stand in public mapping files.
"""

import gzip
from pathlib import Path

import pytest

from tests.intake.extracts import load, query, stored

Capsys = pytest.CaptureFixture[str]

VISITS = """\
VISIT_OCCURRENCE_ID,PERSON_ID,VISIT_CONCEPT_ID,VISIT_START_DATE,VISIT_START_DATETIME,VISIT_END_DATE,VISIT_END_DATETIME,CARE_SITE_ID
1.0,10.0,9201.0,2020-01-05,2020-01-05 08:15:00.000,2020-01-09,2020-01-09T12:00:00,3
2,11,262,2020-02-01,2020-02-01T10:00:00Z,2020-02-03,,
3,12,9202,2020-02-01,2020-02-01 10:00:00,2020-02-01,2020-02-01 11:00:00,
4,12,9201,2020-02-01,,2020-02-05,,
5,12,0,2020-02-01,2020-02-01 10:00:00,2020-02-01,2020-02-01 11:00:00,
"""
DETAILS = """\
visit_detail_id,person_id,visit_detail_concept_id,visit_detail_start_date,visit_detail_start_datetime,visit_detail_end_date,care_site_id,visit_occurrence_id
1,10,9201,2020-01-05,2020-01-05 08:15:00,2020-01-05,31,1
2,10,32037,2020-01-06,2020-01-06 09:00:00,2020-01-09,32,1
4,12,9202,2020-02-01,2020-02-01 10:00:00,2020-02-01,,3
"""
# The row of the file stands in front; it is cut off below. A quoted cell with a line end is one row.
MEASUREMENTS = """\
measurement_id,measurement_concept_id,measurement_date,measurement_datetime,measurement_time,operator_concept_id,value_as_number,unit_concept_id,visit_occurrence_id,measurement_source_value,unit_source_value
2,40762499,2020-01-05,2020-01-05 10:00:00,,,95,8554,1,,
3,3024171.0,2020-01-05,2020-01-05 10:00:00,,,18.0,8541.0,1.0,,
4,40762499,2020-01-05,2020-01-05 11:00:00,,,0.96,8523,1,,
5,40762499,2020-01-05,2020-01-05 12:00:00,,4172703,94,,1,"SpO2
right hand",%
6,40762499,2020-01-05,2020-01-05 13:00:00,,,93,,1,,
7,40762499,2020-01-05,2020-01-05 14:00:00,,,92,8876,1,,
8,40762499,2020-01-05,2020-01-05 15:00:00,,4172704,91,8554,1,,
9,40762499,2020-01-05,,,,90,8554,1,,
10,40762499,2020-01-05,,17:30:00,,89,8554,1,,
11,40762499,2020-02-01,2020-02-01 10:30:00,,,88,8554,3,,
12,40762499,2020-01-05,2020-01-05 10:00:00,,,88,8554,99,,
13,40762499,2020-01-05,2020-01-05 18:00:00,,,,8554,1,,
14,3016502,2020-01-05,2020-01-05 19:00:00,,,97,8554,1,,
15,3016502,2020-01-05,2020-01-05 19:30:00,,,97,8554,1,SpO2,
16,3019977,2020-01-05,2020-01-05 20:00:00,,,7.36,,1,,
17,3027946,2020-01-05,2020-01-05 20:00:00,,,45,8876,1,,
18,3027801,2020-01-05,2020-01-05 20:00:00,,,8.4,44777602,1,,
19,3020716,2020-01-05,2020-01-05 20:00:00,,,28,8554,1,,
20,3027946,2020-01-06,2020-01-06 21:00:00,,,6.2,8876,1,,
21,3005629,2020-01-05,2020-01-05 10:05:00,,,2,8698,1,,
22,3005629,2020-01-05,2020-01-05 10:45:00,,,4,8698,1,,
23,3004249,2020-01-05,2020-01-05 10:45:00,,,120,8876,1,,
24,0,2020-01-07,2020-01-07 10:00:00,,,97,,1,59408-5,%
"""
DEVICES = """\
device_exposure_id,device_concept_id,device_exposure_start_date,device_exposure_start_datetime,device_exposure_end_date,device_exposure_end_datetime,device_source_value,visit_occurrence_id
1,4224038,2020-01-05,2020-01-05 10:05:00,2020-01-05,2020-01-05 12:00:00,,1
2,0,2020-01-05,2020-01-05 13:05:00,,,Venturi 28%,1
3,0,2020-01-05,2020-01-05 14:05:00,,,35 % Venturi Mask,1
4,4322904,2020-01-05,2020-01-05 15:05:00,,,venturi - 60 percent,1
5,0,2020-01-05,2020-01-05 16:05:00,,,Venturi valve of a new kind,1
6,0,2020-01-05,2020-01-05 17:05:00,,,Urinary catheter 28,1
"""
FILES: dict[str, str | bytes] = {
    "VISIT_OCCURRENCE.CSV": VISITS,
    "Visit_Detail.csv": DETAILS,
    "care_site.csv": "care_site_id,care_site_name\n3,North site\n31,Hazel ward\n32,Alder unit\n",
    "person.csv": "person_id,gender_concept_id,year_of_birth,birth_datetime\n10,8532,1950,\n11,8507,1930,\n",
    "MEASUREMENT.csv.gz": gzip.compress(("\ufeff" + MEASUREMENTS.replace("\n", "\r\n")).encode()),
    "device_exposure.csv": DEVICES,
    "observation.csv": "observation_concept_id,observation_datetime,visit_occurrence_id\n"
    "255573,2020-01-05 08:30:00,1\n",
    "targets.csv": "stay_id,prescribed_at,lower_percent,upper_percent\n1,2020-01-05T08:30Z,88,92\n",
}
LEDGER = "select rows_read, rows_stored, rows_already_stored, rows_repeated, rows_kept_aside from load_ledger where "


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "cdm"
    place.mkdir()
    for name, content in FILES.items():
        (place / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return place


def test_what_comes_out_is_what_was_counted_by_hand(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    store = tmp_path / "s"
    outcome = load(capsys, folder, store)
    assert outcome.code == 0, outcome.err

    [stay] = stored(store, "stays")
    assert (stay["stay_id"], stay["patient_key"], stay["site"]) == ("1", "10", "North site")
    assert (stay["sex"], stay["age_band"], str(stay["admitted_at"])) == ("female", "70-79", "2020-01-05 08:15:00")
    assert sorted(str(row["ward"]) for row in stored(store, "wards")) == ["Alder unit", "Hazel ward"]
    readings = [(row["spo2_percent"], row["respiratory_rate"]) for row in stored(store, "readings")]
    assert readings == [(95, 18), (96, None), (94, None), (89, None), (97, None), (97, None)]
    [gas] = stored(store, "gases")
    assert (gas["ph"], gas["po2_kpa"], gas["fio2_fraction"]) == (7.36, 8.4, 0.28)
    # 45 mmHg by 0.133322387415 kPa (NIST SP 811).
    assert gas["pco2_kpa"] == pytest.approx(5.9995074)
    assert [row["flag"] for row in stored(store, "flags")] == ["copd"]

    aside = query(store, "select table_name, row_number, rule, column_name from rejected_rows order by all")
    assert aside == [
        ("gases", 20, "out_of_range", "pco2_kpa"),
        ("readings", 6, "unknown_unit", "spo2_percent"),
        ("readings", 7, "unknown_unit", "spo2_percent"),
        ("readings", 8, "not_a_number", "spo2_percent"),
        ("readings", 9, "not_a_time", "taken_at"),
        ("readings", 12, "unknown_stay", "stay_id"),
        ("readings", 13, "missing_required", "spo2_percent"),
        ("stays", 3, "not_a_time", "discharged_at"),
        ("stays", 5, "not_a_time", "admitted_at"),
    ]
    assert query(store, LEDGER + "table_name = 'readings'") == [(12, 6, 0, 0, 6)]
    assert query(store, LEDGER + "table_name = 'gases'") == [(2, 1, 0, 0, 1)]
    assert query(store, LEDGER + "table_name = 'stays'") == [(3, 1, 0, 0, 2)]


def test_a_valve_is_known_by_the_concentration_in_its_name(folder: Path, tmp_path: Path, capsys: Capsys) -> None:
    assert load(capsys, folder, tmp_path / "s").code == 0
    devices = [(row["device"], row["flow_l_min"], row["fio2_fraction"]) for row in stored(tmp_path / "s", "devices")]
    assert devices == [
        ("nasal_cannula", 2, None),
        ("air_entrainment_mask", None, 0.28),
        ("air_entrainment_mask", None, 0.35),
        ("air_entrainment_mask", None, 0.6),
        ("other", None, None),
    ]


def test_rows_that_are_not_used_are_told_on_the_screen_and_in_the_store(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    outcome = load(capsys, folder, tmp_path / "s")
    sentences = [
        "device_exposure: 6 rows read, 5 used. Not used: no oxygen devices (1).",
        "measurement: 23 rows read, 19 used. Not used: other kinds (1); visits that are not stays in hospital (1); "
        "saturations of blood samples (1); oxygen flows or concentrations at no start of a device and with no gas (1).",
        "visit_detail: 3 rows read, 2 used. Not used: visits that are not stays in hospital (1).",
        "visit_occurrence: 5 rows read, 3 used. Not used: visits that are not stays in hospital (2).",
    ]
    for sentence in sentences:
        assert sentence in outcome.out
    assert query(tmp_path / "s", "select sentence from load_notes order by sentence") == [(s,) for s in sentences]


def test_rows_of_another_length_are_counted_and_their_text_is_not_kept(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    """The rest of such a row may hold columns that are never read."""
    with (folder / "observation.csv").open("a") as file:
        file.write("255573,2020-01-05 09:30:00,1,slept well\n")
    with (folder / "person.csv").open("a") as file:
        file.write("12,8507,1960,1960-02-03,slept well\n")
    outcome = load(capsys, folder, tmp_path / "s")
    assert outcome.code == 0, outcome.err
    rows = query(
        tmp_path / "s", "select table_name, row_number, cells from rejected_rows where rule = 'wrong_number_of_cells'"
    )
    assert rows == [("flags", 3, '{"text":"(not kept: see this row in the file)"}')]
    assert query(tmp_path / "s", LEDGER + "table_name = 'flags'") == [(2, 1, 0, 0, 1)]
    sentence = "person.csv: rows with more or fewer cells than the header, which were not used: 1."
    assert sentence in outcome.out
    assert (sentence,) in query(tmp_path / "s", "select sentence from load_notes")
    assert b"slept" not in (tmp_path / "s").read_bytes()
