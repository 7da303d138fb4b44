"""Direct identifiers stop the load before anything is stored, and no message repeats a value."""

import gzip
import random
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import IdentifierError
from pipeline.intake.privacy import has_right_check_digit, refuse_identifying_columns
from tests.intake.extracts import counts, csv_text, load, loaded, readings, refused, row, write_extract

Capsys = pytest.CaptureFixture[str]

# Made up, with the right check digit; the first is the worked example of the NHS data dictionary (from memory).
NHS_NUMBERS = ("943 476 5919", "9434765919", "943-476-5919", "4010232137")
_WEIGHTS = range(10, 1, -1)


def with_check_digit(nine: str) -> str | None:
    """The ten digits of an NHS number: weights 10 to 2, modulus 11 (NHS data dictionary, from memory)."""
    check = 11 - sum(weight * int(digit) for weight, digit in zip(_WEIGHTS, nine, strict=True)) % 11
    return None if check == 10 else nine + str(check % 11)


def check_digit_is_right(number: str) -> bool:
    return bool(pl.select(has_right_check_digit(pl.lit(number))).item())


def test_the_published_example_has_the_right_check_digit_and_every_other_last_digit_is_wrong() -> None:
    assert with_check_digit("943476591") == "9434765919"
    for number in NHS_NUMBERS:
        assert check_digit_is_right(number)
    for last in "012345678":
        assert not check_digit_is_right(f"943476591{last}")


def test_check_digits_agree_with_the_rule_for_random_numbers() -> None:
    chance = random.Random(11)
    numbers = [f"{chance.randrange(10**10):010}" for _ in range(5_000)]
    found = pl.DataFrame({"n": numbers}).select(has_right_check_digit(pl.col("n"))).to_series().to_list()
    assert found == [with_check_digit(number[:9]) == number for number in numbers]
    # One in eleven by chance.
    assert 350 < sum(found) < 560


IDENTIFYING_NAMES = [
    "name", "patient_name", "PatientName", "Surname", "first name", "FORENAME", "familyName", "consultant_name",
    "date_of_birth", "DateOfBirth", "dob", "DOB", "birth_date", "postcode", "home_postcode", "Post Code", "zip",
    "address", "telephone", "phone_number", "MobilePhone", "email", "e-mail", "nhs_number", "NHSNumber", "nhs no",
    "chi", "mrn", "hospital_number", "HospitalNumber", "comment", "comments", "free_text", "notes", "passport",
]  # fmt: skip


@pytest.mark.parametrize("name", IDENTIFYING_NAMES)
def test_columns_named_like_an_identifier_are_found(name: str) -> None:
    with pytest.raises(IdentifierError, match=r"wards\.csv has a column that by name would identify"):
        refuse_identifying_columns("wards.csv", ["stay_id", name])


def test_a_column_named_like_an_identifier_stops_the_load(tmp_path: Path, capsys: Capsys) -> None:
    wards = csv_text([row("wards") | {"PatientName": "harmless", "home_postcode": "harmless"}])
    refused(
        capsys, write_extract(tmp_path / "extract", wards=wards), tmp_path / "s.duckdb",
        says=["wards.csv", "PatientName, home_postcode", "by name would identify people", "Remove them", "was stored"],
    )  # fmt: skip
    assert not (tmp_path / "s.duckdb").exists()


def test_columns_named_after_places_and_things_do_not_stop_the_load(tmp_path: Path, capsys: Capsys) -> None:
    harmless = ["ward_name", "site_name", "bed", "noted_at", "chief_specialty", "notebook_id", "device_name", "zipped"]
    text = csv_text([row("wards") | dict.fromkeys(harmless, "x")])
    loaded(capsys, write_extract(tmp_path / "extract", wards=text), tmp_path / "s.duckdb")


# What it looks like, the value, and a column where it stands (None: a column the audit does not use).
IDENTIFYING_VALUES = [
    ("a national patient number", "943 476 5919", "patient_key"),
    ("a national patient number", "9434765919", "site"),
    ("a national patient number", "943-476-5919", None),
    ("a national patient number", "NHS 9434765919", "patient_key"),
    ("an e-mail address", "a.person@example.org", "patient_key"),
    ("an e-mail address", "write to a.person@example.org", None),
    ("a full UK postcode", "ZZ99 3VZ", "site"),
    ("a full UK postcode", "zz993vz", "specialty"),
    ("a full UK postcode", "lives in ZZ99 3VZ", None),
    ("a telephone number", "07700 900123", "patient_key"),
    ("a telephone number", "07700900123", "site"),
    ("a telephone number", "07700900123", "patient_key"),
    ("a telephone number", "+44 7700 900123", None),
    ("a telephone number", "(01632) 960 123", "specialty"),
    ("a full date", "1950-03-02", "age_band"),
    ("a full date", "02/03/1950", "patient_key"),
    ("a full date", "1950-03-02", "patient_key"),
    ("a full date", "1950-03-02 00:00:00", "sex"),
    ("a person's name", "Mrs Imaginary", "site"),
    ("a person's name", "Imaginary, Ida", "patient_key"),
    ("a person's name", "Ida Imaginary", "patient_key"),
    ("free text", "was seen by the team and sent home the same day", "specialty"),
    ("free text", "x" * 40 + " " + "y" * 40, None),
]


@pytest.mark.parametrize(("look", "value", "column"), IDENTIFYING_VALUES)
def test_a_value_that_looks_like_an_identifier_stops_the_load(
    tmp_path: Path, capsys: Capsys, look: str, value: str, column: str | None
) -> None:
    # One among many ordinary rows, in the fourth row of the file.
    stays = [row("stays", stay_id=f"ST-{n:04}", patient_key=f"PK-{n:04}") for n in range(1, 40)]
    stays = [stay | {"extra": "x"} for stay in stays]
    stays[2] |= {column or "extra": value}
    text = csv_text(stays)
    message = refused(
        capsys, write_extract(tmp_path / "extract", stays=text), tmp_path / "s.duckdb",
        says=["stays.csv", f"column {column or 'extra'}", look, "row 4", "nothing was stored"],
    )  # fmt: skip
    assert value not in message
    assert not (tmp_path / "s.duckdb").exists()


def test_values_are_found_in_cells_that_should_be_numbers_or_times(tmp_path: Path, capsys: Capsys) -> None:
    for n, (column, value) in enumerate(
        [
            ("spo2_percent", "a.person@example.org"),
            ("spo2_percent", "9434765919"),
            ("taken_at", "seen by Dr A at nine and then once more at ten"),
            ("respiratory_rate", "07700 900123"),
        ]
    ):
        extract = write_extract(tmp_path / str(n), readings=[row("readings"), row("readings", **{column: value})])
        message = refused(capsys, extract, tmp_path / "s.duckdb", says=["readings.csv", f"column {column}", "row 3"])
        assert value not in message


def test_values_are_found_in_rows_of_another_length_than_the_header(tmp_path: Path, capsys: Capsys) -> None:
    for n, value in enumerate(
        [
            "a.person@example.org",
            "9434765919",
            "ZZ99 3VZ",
            '"07700 900123"',
            "Was seen, found well by all, and went home",
        ]
    ):
        text = csv_text([row("wards")]) + f"ST-0001,Hazel ward,2026-01-05 10:00,{value}\n"
        message = refused(
            capsys, write_extract(tmp_path / str(n), wards=text), tmp_path / "s.duckdb",
            says=["wards.csv", "a row of another length than the header", "row 3"],
        )  # fmt: skip
        assert value.strip('"') not in message


def test_values_are_found_in_every_form(tmp_path: Path, capsys: Capsys) -> None:
    import xlsxwriter

    rows = [row("wards"), row("wards", ward="a.person@example.org")]

    def gzipped(path: Path) -> None:
        path.with_suffix(".csv.gz").write_bytes(gzip.compress(csv_text(rows).encode()))

    def workbook(path: Path) -> None:
        with xlsxwriter.Workbook(str(path.with_suffix(".xlsx"))) as book:
            sheet = book.add_worksheet()
            for line, cells in enumerate([list(rows[0]), *(list(cells.values()) for cells in rows)]):
                sheet.write_row(line, 0, cells)

    def parquet(path: Path) -> None:
        pl.DataFrame(rows).write_parquet(path.with_suffix(".parquet"))

    for write, row_number in ((gzipped, 3), (workbook, 3), (parquet, 2)):
        extract = write_extract(tmp_path / write.__name__)
        write(extract / "wards")
        refused(
            capsys, extract, tmp_path / "s.duckdb",
            says=["column ward", "an e-mail address", f"row {row_number}"],
        )  # fmt: skip


def test_a_column_of_real_numbers_is_found_though_some_are_mistyped(tmp_path: Path, capsys: Capsys) -> None:
    chance = random.Random(3)
    numbers = [number for _ in range(60) if (number := with_check_digit(f"{chance.randrange(10**9):09}"))][:40]
    mistyped = [number[:-1] + str((int(number[-1]) + 1) % 10) for number in numbers[:15]]
    stays = [
        row("stays", stay_id=f"ST-{n:04}", patient_key=key) for n, key in enumerate([*mistyped, *numbers[15:]], start=1)
    ]
    refused(
        capsys, write_extract(tmp_path / "extract", stays=stays), tmp_path / "s.duckdb",
        says=["column patient_key", "a national patient number", "and 20 more"],
    )  # fmt: skip


@pytest.mark.parametrize("digits", [10, 11])
def test_random_pseudonyms_of_digits_do_not_stop_the_load(tmp_path: Path, capsys: Capsys, digits: int) -> None:
    chance = random.Random(5)
    keys = [f"{chance.randrange(10**digits):0{digits}}" for _ in range(400)]
    stays = [row("stays", stay_id=key, patient_key=key[::-1]) for key in keys]
    rows = [row("readings", stay_id=key) for key in keys]
    targets = [row("targets", stay_id=key) for key in keys]
    extract = write_extract(tmp_path / "extract", stays=stays, readings=rows, targets=targets)
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "stays.csv") == (400, 400, 0, 0, 0)


def test_pseudonyms_of_other_shapes_do_not_stop_the_load(tmp_path: Path, capsys: Capsys) -> None:
    keys = [
        "7f3a" * 16, "QUJD" * 22, "a1b2c3d4-0000-4fff-8000-1234567890ab", "S000123", "NW-3-17", "ab12cd", "patient_17",
        "12-03-45", "0123-456-789", *(f"9{n:03}-456-789" for n in range(5)),
    ]  # fmt: skip
    extract = write_extract(
        tmp_path / "extract",
        stays=[row("stays", stay_id=key, patient_key=key) for key in keys],
        readings=[row("readings", stay_id=key) for key in keys],
        targets=[row("targets", stay_id=key) for key in keys],
    )
    loaded(capsys, extract, tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "readings.csv") == (len(keys), len(keys), 0, 0, 0)


def test_names_of_wards_do_not_stop_the_load(tmp_path: Path, capsys: Capsys) -> None:
    names = [
        "E4 2nd floor", "Ward 12", "A&E", "Acute Medical Unit (2)", "St Someone's", "B7", "8 West", "AMU-1", "ICU 2/3",
        "Ward 4 - step down and stroke recovery",
    ]  # fmt: skip
    wards = [row("wards", ward=name, entered_at=f"2026-01-05 09:{n:02}") for n, name in enumerate(names)]
    loaded(capsys, write_extract(tmp_path / "extract", wards=wards), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "wards.csv") == (len(names), len(names), 0, 0, 0)


def test_everything_found_in_a_file_is_told_at_once(tmp_path: Path, capsys: Capsys) -> None:
    stays = [row("stays", patient_key="9434765919", site="a.person@example.org", specialty="ZZ99 3VZ")] * 8
    message = refused(
        capsys, write_extract(tmp_path / "extract", stays=stays), tmp_path / "s.duckdb",
        says=["column patient_key", "column site", "column specialty", "rows 2, 3, 4, 5, 6 and 3 more"],
    )  # fmt: skip
    assert message.count("looks like") == 3


def test_nothing_of_a_refused_extract_is_left_beside_the_store(tmp_path: Path, capsys: Capsys) -> None:
    extract = write_extract(tmp_path / "extract", readings=[*readings(50), row("readings", source="a@example.org")])
    (tmp_path / "data").mkdir()
    assert load(capsys, extract, tmp_path / "data" / "s.duckdb").code == 2
    assert list((tmp_path / "data").iterdir()) == []
