"""Columns whose values contradict the declared unit stop the load; single typing errors do not."""

import random
from pathlib import Path

import pytest

from tests.intake.extracts import counts, kept_aside, loaded, query, refused, row, write_extract

Capsys = pytest.CaptureFixture[str]

# 1 mmHg = 0.133 322 4 kPa: NIST Special Publication 811, appendix B.8 (from memory).
KPA_IN_A_MMHG = 0.1333224


def _gases(**columns: list[str]) -> list[dict[str, str]]:
    return [
        row("gases", taken_at=f"2026-01-05 {11 + n // 60}:{n % 60:02}", **dict(zip(columns, cells, strict=True)))
        for n, cells in enumerate(zip(*columns.values(), strict=True))
    ]


@pytest.mark.parametrize(
    ("table", "column", "values", "declared", "fitting"),
    [
        ("devices", "fio2_fraction", ["28", "35", "60", "24"], "fraction", "percent"),
        ("gases", "fio2_fraction", ["28", "35", "60", "24"], "fraction", "percent"),
        ("gases", "pco2_kpa", ["45", "52.5", "61", "38"], "kPa", "mmHg"),
        ("gases", "po2_kpa", ["61", "72", "104", "131"], "kPa", "mmHg"),
        ("readings", "spo2_percent", ["0.95", "0.88", "0.91", "1.0"], "percent", "fraction"),
    ],
)
def test_a_column_in_another_unit_stops_the_load_and_the_unit_that_fits_is_named(
    tmp_path: Path, capsys: Capsys, table: str, column: str, values: list[str], declared: str, fitting: str
) -> None:
    at = {"devices": "started_at", "gases": "taken_at", "readings": "taken_at"}[table]
    rows = [row(table) | {at: f"2026-01-05 10:{n:02}", column: value} for n, value in enumerate(values)]
    refused(
        capsys, write_extract(tmp_path / "extract", **{table: rows}), tmp_path / "s.duckdb",
        says=[
            "Units contradict", f"{table}.csv", f"column {column} is declared in {declared}", f"would fit {fitting}",
            "row", "nothing was stored",
        ],
    )  # fmt: skip
    assert not (tmp_path / "s.duckdb").exists()


def test_a_whole_year_of_mmhg_is_told_apart_from_kpa(tmp_path: Path, capsys: Capsys) -> None:
    chance = random.Random(1)
    in_kpa = [(chance.gauss(6.5, 1.5), max(3.0, chance.gauss(9.5, 2))) for _ in range(300)]
    in_mmhg = [(pco2 / KPA_IN_A_MMHG, po2 / KPA_IN_A_MMHG) for pco2, po2 in in_kpa]
    for name, pairs in (("kpa", in_kpa), ("mmhg", in_mmhg)):
        rows = _gases(pco2_kpa=[f"{pco2:.2f}" for pco2, _ in pairs], po2_kpa=[f"{po2:.2f}" for _, po2 in pairs])
        extract = write_extract(tmp_path / name, gases=rows)
        if name == "kpa":
            loaded(capsys, extract, tmp_path / "s.duckdb")
        else:
            refused(capsys, extract, tmp_path / "t.duckdb", says=["column pco2_kpa", "column po2_kpa", "mmHg"])


def test_a_single_typing_error_among_many_is_kept_aside_only(tmp_path: Path, capsys: Capsys) -> None:
    rows = _gases(pco2_kpa=["6.1"] * 60 + ["61"], fio2_fraction=["0.28"] * 60 + ["28"])
    loaded(capsys, write_extract(tmp_path / "extract", gases=rows), tmp_path / "s.duckdb")

    assert kept_aside(tmp_path / "s.duckdb") == [("gases.csv", 62, "pco2_kpa", "out_of_range")]


def test_nonsense_that_fits_no_unit_is_kept_aside_only(tmp_path: Path, capsys: Capsys) -> None:
    rows = _gases(pco2_kpa=["9999", "-3", "0.01"], po2_kpa=["9999", "0", "-1"])
    loaded(capsys, write_extract(tmp_path / "extract", gases=rows), tmp_path / "s.duckdb")

    assert counts(tmp_path / "s.duckdb", "gases.csv") == (3, 0, 0, 0, 3)


def test_the_published_gas_in_kpa_is_accepted(tmp_path: Path, capsys: Capsys) -> None:
    # HL7 FHIR R4, example Observation f003: pCO2 6.2 kPa, reference range 4.8 to 6.0 (as quoted in the standard).
    loaded(capsys, write_extract(tmp_path / "extract", gases=_gases(pco2_kpa=["6.2"])), tmp_path / "s.duckdb")

    assert query(tmp_path / "s.duckdb", "select pco2_kpa from gases") == [(6.2,)]


def test_the_retention_threshold_in_mmhg_is_refused_as_kpa_and_accepted_once_converted(
    tmp_path: Path, capsys: Capsys
) -> None:
    # 45 mmHg is 5.9995 kPa: NIST SP 811.
    assert round(45 * KPA_IN_A_MMHG, 4) == 5.9995
    refused(
        capsys, write_extract(tmp_path / "mmhg", gases=_gases(pco2_kpa=["45"])), tmp_path / "s.duckdb",
        says=["column pco2_kpa", "1 of 1 values would fit mmHg", "Convert the column"],
    )  # fmt: skip
    converted = _gases(pco2_kpa=[f"{45 * KPA_IN_A_MMHG:.4f}"])
    loaded(capsys, write_extract(tmp_path / "kpa", gases=converted), tmp_path / "s.duckdb")

    assert query(tmp_path / "s.duckdb", "select pco2_kpa from gases") == [(5.9995,)]


def test_all_columns_of_a_file_in_other_units_are_told_at_once(tmp_path: Path, capsys: Capsys) -> None:
    rows = _gases(pco2_kpa=["45"] * 8, po2_kpa=["120"] * 8, fio2_fraction=["28"] * 8)
    refused(
        capsys, write_extract(tmp_path / "extract", gases=rows), tmp_path / "s.duckdb",
        says=["pco2_kpa", "po2_kpa", "fio2_fraction", "8 of 8 values", "rows 2, 3, 4, 5, 6 and 3 more"],
    )  # fmt: skip
