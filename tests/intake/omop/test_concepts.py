"""The concepts are those of the published vocabularies: codes have right check digits, ids the published names."""

import pytest
from sqlalchemy import Date, DateTime, Integer, Numeric, String

from pipeline.intake.omop import concepts
from pipeline.intake.omop.files import wanted_columns
from synthetic_data.cohort import simulate
from tests.intake.omop.tables import OFFICIAL, omop_tables

IDS = (concepts.MEASUREMENT_IDS, concepts.UNIT_IDS, concepts.DEVICE_IDS, concepts.FLAG_IDS)
MEANT = (concepts.QUANTITIES, concepts.UNIT_CODES, concepts.DEVICE_CODES, concepts.FLAG_CODES)
CODES = {code for meant in MEANT for code in meant} | {code for ids in IDS for code in ids.values()}
# Names in the concept-level checks of CDM 5.4 of OHDSI's DataQualityDashboard (the last three in an earlier edition, in
# the text of its query), in a concept set of the National Clinical Cohort Collaborative (inhaled oxygen, flow) and in
# the PEDSnet conventions (inspired oxygen).
PUBLISHED_NAMES = {
    40762499: "Oxygen saturation in Arterial blood by Pulse oximetry",
    4098046: "Pulse oximetry",
    3024171: "Respiratory rate",
    3013290: "Carbon dioxide [Partial pressure] in Blood",
    3027946: "Carbon dioxide [Partial pressure] in Arterial blood",
    3021447: "Carbon dioxide [Partial pressure] in Venous blood",
    3027273: "Bicarbonate [Moles/volume] in Venous blood",
    3020716: "Inhaled oxygen concentration",
    3005629: "Inhaled oxygen flow rate",
    3014080: "Oxygen gas flow Oxygen delivery system",
    4141684: "Delivered oxygen flow rate",
    4353936: "Inspired oxygen concentration",
}
QUANTITY_OF_WORDS = {
    "Pulse oximetry": "spo2",
    "Respiratory rate": "respiratory_rate",
    "Carbon dioxide [Partial pressure]": "pco2",
    "Bicarbonate": "bicarbonate",
    "oxygen concentration": "fio2",
    "flow": "flow",
}
# The names of units in the same checks.
PUBLISHED_UNITS = {8554: "%", 8876: "mm[Hg]", 8541: "/min", 8753: "mmol/L"}


def loinc_check_digit(number: str) -> int:
    """Modulus 10, every second digit from the right doubled (LOINC Users' Guide, appendix on check digits)."""
    doubled = [int(digit) * (2 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(number))]
    return -sum(digit // 10 + digit % 10 for digit in doubled) % 10


def verhoeff_is_right(number: str) -> bool:
    """Verhoeff's check over the dihedral group of ten (SNOMED CT Technical Implementation Guide)."""
    permuted = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]
    check = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit)
        for _ in range(place % 8):
            value = permuted[value]
        check = _dihedral(check, value)
    return check == 0


def _dihedral(left: int, right: int) -> int:
    if left < 5:
        return (left + right) % 5 + (0 if right < 5 else 5)
    return (left - right) % 5 + (5 if right < 5 else 0)


@pytest.mark.parametrize("code", sorted({code.code for code in CODES if code.vocabulary == "LOINC"}))
def test_a_loinc_code_has_the_right_check_digit(code: str) -> None:
    number, digit = code.split("-")
    assert loinc_check_digit(number) == int(digit)


@pytest.mark.parametrize("code", sorted({code.code for code in CODES if code.vocabulary == "SNOMED"}))
def test_a_snomed_ct_code_has_the_right_check_digit(code: str) -> None:
    assert verhoeff_is_right(code)


def test_the_checks_find_wrong_digits() -> None:
    """The examples of the two guides: LOINC 2951-2 sodium, SNOMED CT 22298006 myocardial infarction."""
    assert loinc_check_digit("2951") == 2
    assert verhoeff_is_right("22298006")
    assert not verhoeff_is_right("22298007")
    assert not verhoeff_is_right("22289006")


@pytest.mark.parametrize(("misprint", "code"), concepts.MISPRINTS.items())
def test_a_misprint_fails_the_check_digit_and_stands_for_a_code_that_does_not(misprint: str, code: str) -> None:
    number, digit = misprint.split("-")
    assert loinc_check_digit(number) != int(digit)
    assert code == f"{number}-{loinc_check_digit(number)}"


@pytest.mark.parametrize(("concept_id", "name"), PUBLISHED_NAMES.items())
def test_an_id_means_what_its_published_name_says(concept_id: int, name: str) -> None:
    meant = concepts.QUANTITIES[concepts.MEASUREMENT_IDS[concept_id]]
    [wanted] = {quantity for words, quantity in QUANTITY_OF_WORDS.items() if words in name}
    assert meant.name == wanted
    if meant.sample:
        assert name.lower().endswith(f"in {meant.sample} blood" if meant.sample != "blood" else "in blood")


@pytest.mark.parametrize(("concept_id", "unit"), PUBLISHED_UNITS.items())
def test_a_unit_id_means_what_its_published_name_says(concept_id: int, unit: str) -> None:
    assert concepts.UNIT_IDS[concept_id].code == unit


def test_every_code_behind_an_id_has_a_meaning_and_every_quantity_a_unit() -> None:
    for ids, meant in zip(IDS, MEANT, strict=True):
        assert set(ids.values()) <= set(meant)
    assert {meant.name for meant in concepts.QUANTITIES.values()} - {"sao2"} == {name for name, _ in concepts.FACTORS}
    assert {unit for _, unit in concepts.FACTORS} - {"none"} == set(concepts.UNIT_TEXTS.values())


def test_every_column_that_is_read_is_one_of_the_published_tables() -> None:
    for table, official in OFFICIAL.items():
        assert set(wanted_columns(table)) <= {column.name for column in official.columns}


def test_the_tables_written_for_the_tests_are_as_published() -> None:
    """Types, lengths and required columns of CDM 5.4; only the end of a stay still open is missing against it."""
    for table, rows in omop_tables(simulate(stays=40).tables).items():
        for column in OFFICIAL[table].columns:
            cells = rows[column.name]
            if not column.nullable and column.name != "visit_end_date":
                assert cells.null_count() == 0, column
            if isinstance(column.type, Integer):
                assert cells.dtype.is_integer() or cells.null_count() == rows.height, column
                assert (cells.drop_nulls().cast(int) < 2**31).all(), column
            elif isinstance(column.type, Numeric):
                assert cells.dtype.is_numeric() or cells.null_count() == rows.height, column
            elif isinstance(column.type, Date | DateTime):
                shape = r"^\d{4}-\d\d-\d\d$" if isinstance(column.type, Date) else r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d$"
                assert cells.drop_nulls().cast(str).str.contains(shape).all(), column
            elif isinstance(column.type, String) and column.type.length:
                assert (cells.drop_nulls().cast(str).str.len_chars() <= column.type.length).all(), column
