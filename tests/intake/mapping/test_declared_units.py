"""A declared unit that the values contradict stops the load, and the message names the one that would fit."""

from pathlib import Path

import pytest

from pipeline.errors import UnitError
from pipeline.intake.check import typed
from pipeline.intake.units import UnitCount, count_units, refuse_contradicted_units
from pipeline.vocabulary import TABLES
from tests.intake.mapping.hospital import rows_of, sources, with_others, write


@pytest.mark.parametrize(
    ("column", "cell", "declared", "fitting"),
    [
        # The HL7 FHIR example f003 says 6.2 kPa (reference range 4.8 to 6.0); an early edition said 6.2 mm[Hg].
        ("pco2_kpa", "6.2", "mmHg", "kPa"),
        ("pco2_kpa", "45", "kPa", "mmHg"),
        ("fio2_fraction", "0.28", "percent", "fraction"),
        ("fio2_fraction", "28", "fraction", "percent"),
        ("ph", "7.4", "nmol/L", "pH"),
        ("ph", "40", "pH", "nmol/L"),
    ],
)
def test_a_contradicted_declaration_is_refused_with_the_one_that_fits(
    tmp_path: Path, column: str, cell: str, declared: str, fitting: str
) -> None:
    rows = f"stay_id,taken_at,sample_type,{column}\nA,2026-01-05 10:00,arterial,{cell}\n"
    folder = write(tmp_path / "x", gases__csv=rows)
    text = f'[gases.units]\n{column} = "{declared}"'
    [gases] = [s for s in sources(with_others(folder), text) if s.table == "gases"]
    count = UnitCount(gases.units)
    count_units(typed(rows_of(gases), TABLES["gases"], "Europe/London"), TABLES["gases"], count)
    with pytest.raises(UnitError) as error:
        refuse_contradicted_units(gases.name, count)
    assert f"column {column} is declared in {declared}, but 1 of 1 values would fit {fitting} instead (row 2)" in str(
        error.value
    )


@pytest.mark.parametrize(
    ("column", "cell", "declared"),
    [("pco2_kpa", "45", "mmHg"), ("fio2_fraction", "28", "percent"), ("ph", "40", "nmol/L")],
)
def test_a_right_declaration_is_taken(tmp_path: Path, column: str, cell: str, declared: str) -> None:
    text = f"stay_id,taken_at,sample_type,{column}\nA,2026-01-05 10:00,arterial,{cell}\n"
    folder = write(tmp_path / "x", gases__csv=text)
    [gases] = [s for s in sources(with_others(folder), f'[gases.units]\n{column} = "{declared}"') if s.table == "gases"]
    checked = typed(rows_of(gases), TABLES["gases"], "Europe/London")
    count = UnitCount(gases.units)
    count_units(checked, TABLES["gases"], count)
    refuse_contradicted_units(gases.name, count)
    assert checked["rule"].to_list() == [None]
