"""Blood-gas arithmetic against published worked examples and a general library of units."""

import math

import pint
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physiology.blood_gas import (
    alveolar_arterial_difference_kpa,
    alveolar_po2_kpa,
    bicarbonate_in_use_mmol_l,
    derived_bicarbonate_mmol_l,
    expected_bicarbonate_acute_mmol_l,
    expected_bicarbonate_chronic_mmol_l,
    hydrogen_ion_nmol_l,
    kpa_from_mmhg,
    mmhg_from_kpa,
    ph_from_bicarbonate,
    ph_from_hydrogen_ion,
    po2_fio2_ratio_kpa,
    standard_base_excess_mmol_l,
)
from tests.physiology.scalars import answer

UNITS = pint.UnitRegistry()
PH = st.floats(6.5, 8.0)
PCO2_KPA = st.floats(1.5, 25)


def kpa(mmhg: float) -> float:
    return UNITS.Quantity(mmhg, "mmHg").to("kPa").magnitude


def mmhg(value_kpa: float) -> float:
    return UNITS.Quantity(value_kpa, "kPa").to("mmHg").magnitude


# --- units ----------------------------------------------------------------------------------------------------------


# 1 kPa = 7.50062 mmHg (SI, NIST SP 811: from memory); the others are derived from it.
@pytest.mark.parametrize(
    ("in_kpa", "in_mmhg"),
    [
        (1, 7.50062),
        (4.7, 35.3),
        (5.33, 40.0),
        (6.0, 45.004),
        (6.5, 48.75),
        (6.7, 50.25),
        (7.3, 54.75),
        (8.0, 60.00),
        (10, 75.01),
        (13.3, 99.76),
    ],
)
def test_kpa_in_mmhg(in_kpa: float, in_mmhg: float) -> None:
    assert answer(mmhg_from_kpa, in_kpa) == pytest.approx(in_mmhg, abs=0.05 if in_mmhg in (35.3, 40.0) else 0.006)


def test_45_mmhg_is_just_under_6_kpa_and_not_above_it() -> None:
    """Derived: 5.9995 kPa, so that a gas of 45.0 mmHg is no retention at a threshold of 6.0 kPa."""
    assert answer(kpa_from_mmhg, 45.0) == pytest.approx(5.9995, abs=0.00005)
    assert not answer(kpa_from_mmhg, 45.0) > 6.0
    assert answer(kpa_from_mmhg, 50) == pytest.approx(6.666, abs=0.0005)
    assert answer(kpa_from_mmhg, 60) == pytest.approx(7.999, abs=0.0005)


@given(st.floats(0.1, 800))
def test_pressures_agree_with_a_library_of_units_and_turn_back(pressure: float) -> None:
    assert answer(kpa_from_mmhg, pressure) == pytest.approx(kpa(pressure), rel=1e-9)
    assert answer(mmhg_from_kpa, pressure) == pytest.approx(mmhg(pressure), rel=1e-9)
    assert answer(kpa_from_mmhg, answer(mmhg_from_kpa, pressure)) == pytest.approx(pressure, rel=1e-12)


# --- hydrogen ion ---------------------------------------------------------------------------------------------------


# Derived: H+ in nmol/L = 10 to the power of (9 - pH).
@pytest.mark.parametrize(
    ("ph", "hydrogen_ion"),
    [
        (7.00, 100),
        (7.10, 79.4),
        (7.15, 70.8),
        (7.20, 63.1),
        (7.25, 56.2),
        (7.26, 55.0),
        (7.30, 50.1),
        (7.35, 44.7),
        (7.40, 39.8),
        (7.45, 35.5),
        (7.50, 31.6),
        (7.60, 25.1),
    ],
)
def test_hydrogen_ion(ph: float, hydrogen_ion: float) -> None:
    assert answer(hydrogen_ion_nmol_l, ph) == pytest.approx(hydrogen_ion, abs=0.05)


def test_a_ph_under_7_35_is_a_hydrogen_ion_over_44_67_and_not_45() -> None:
    assert answer(hydrogen_ion_nmol_l, 7.35) == pytest.approx(44.67, abs=0.005)
    assert answer(ph_from_hydrogen_ion, 45) == pytest.approx(7.347, abs=0.0005)


@given(PH)
def test_ph_and_hydrogen_ion_turn_back(ph: float) -> None:
    assert answer(ph_from_hydrogen_ion, answer(hydrogen_ion_nmol_l, ph)) == pytest.approx(ph, abs=1e-9)


# --- bicarbonate ----------------------------------------------------------------------------------------------------


# Physiology textbook chapter: pCO2 70 mmHg with bicarbonate 24: pH 7.16; with 36: pH 7.33.
@pytest.mark.parametrize(("bicarbonate", "printed", "exact"), [(24, 7.16, 7.158), (36, 7.33, 7.334)])
def test_ph_by_henderson_hasselbalch(bicarbonate: float, printed: float, exact: float) -> None:
    found = answer(ph_from_bicarbonate, bicarbonate, kpa(70))
    assert round(found, 2) == printed
    assert found == pytest.approx(exact, abs=0.0005)
    assert answer(derived_bicarbonate_mmol_l, found, kpa(70)) == pytest.approx(bicarbonate, rel=1e-9)


def test_bicarbonate_26_at_60_mmhg_is_ph_7_26() -> None:
    """Derived; the rule of thumb of 0.008 for each mmHg gives 7.24 (nursing text): the two differ by 0.02."""
    assert answer(ph_from_bicarbonate, 26, kpa(60)) == pytest.approx(7.26, abs=0.005)


# Henderson (derived): H+ = 24 x pCO2 in mmHg / bicarbonate.
@pytest.mark.parametrize(("pco2", "bicarbonate", "hydrogen_ion"), [(40, 24, 40), (60, 26, 55.4), (70, 36, 46.7)])
def test_hydrogen_ion_by_henderson(pco2: float, bicarbonate: float, hydrogen_ion: float) -> None:
    found = answer(hydrogen_ion_nmol_l, answer(ph_from_bicarbonate, bicarbonate, kpa(pco2)))
    assert found == pytest.approx(hydrogen_ion, rel=0.01)


def test_derived_bicarbonate_lies_within_a_millimole_of_an_analyser() -> None:
    """National Committee for Clinical Laboratory Standards: log HCO3 = pH + log(pCO2 x 0.0307) - 6.105."""
    for ph, pco2 in [(7.40, 40), (7.30, 60), (7.34, 70), (7.25, 55)]:
        analyser = 10 ** (ph + math.log10(pco2 * 0.0307) - 6.105)
        assert answer(derived_bicarbonate_mmol_l, ph, kpa(pco2)) == pytest.approx(analyser, abs=1)


@given(PH, PCO2_KPA)
def test_bicarbonate_and_ph_turn_back(ph: float, pco2: float) -> None:
    bicarbonate = answer(derived_bicarbonate_mmol_l, ph, pco2)
    assert answer(ph_from_bicarbonate, bicarbonate, pco2) == pytest.approx(ph, abs=1e-9)
    assert answer(derived_bicarbonate_mmol_l, ph, pco2 * 1.01) > bicarbonate
    assert answer(derived_bicarbonate_mmol_l, ph + 0.01, pco2) > bicarbonate


def test_a_charted_bicarbonate_goes_before_a_derived_one() -> None:
    assert answer(bicarbonate_in_use_mmol_l, 31.0, 7.40, kpa(40)) == 31.0
    assert answer(bicarbonate_in_use_mmol_l, None, 7.40, kpa(40)) == pytest.approx(23.94, abs=0.005)
    assert answer(bicarbonate_in_use_mmol_l, None, None, kpa(40)) is None


# --- base excess ----------------------------------------------------------------------------------------------------


def test_base_excess_of_the_reference_gas() -> None:
    """Table of reference values beside a definition of base excess: pH 7.40 and HCO3 24 give -0.36."""
    assert answer(standard_base_excess_mmol_l, 7.40, 24) == pytest.approx(-0.36, abs=0.02)


@given(PH, PCO2_KPA)
def test_base_excess_is_the_same_by_the_form_without_bicarbonate(ph: float, pco2: float) -> None:
    """0.02786 x pCO2 in mmHg x 10^(pH - 6.1) + 13.77 x pH - 124.58: a paediatric department's page, after
    Siggaard-Andersen 1971."""
    printed = 0.02786 * mmhg(pco2) * 10 ** (ph - 6.1) + 13.77 * ph - 124.58
    found = answer(standard_base_excess_mmol_l, ph, answer(derived_bicarbonate_mmol_l, ph, pco2))
    # The printed constants are rounded to four figures.
    assert found == pytest.approx(printed, abs=0.05, rel=1e-3)


def test_the_printed_constants_are_van_slyke_at_a_third_of_the_haemoglobin() -> None:
    """0.9287 and 14.83 as printed on the same page."""
    at_normal = answer(standard_base_excess_mmol_l, 7.40, 25.4)
    assert at_normal == pytest.approx(0.9287, abs=0.0001)
    assert answer(standard_base_excess_mmol_l, 7.50, 25.4) - at_normal == pytest.approx(0.1 * 14.83 * 0.9287, abs=1e-4)


@pytest.mark.parametrize(("ph", "pco2"), [(7.40, 40), (7.32, 60), (7.25, 70), (7.35, 75), (7.45, 50), (7.20, 50)])
def test_base_excess_agrees_with_the_recommended_form_at_the_same_haemoglobin(ph: float, pco2: float) -> None:
    """Lang and Zander, Clin Chem Lab Med 2002;40:404-10, with 5 g/dL and full saturation; they give the Van Slyke
    form as right to 1.5 mmol/L and their own to 0.9."""
    haemoglobin = 5.0
    recommended = (1 - 0.0143 * haemoglobin) * (
        (0.0304 * pco2 * 10 ** (ph - 6.1) - 24.26) + (9.5 + 1.63 * haemoglobin) * (ph - 7.4)
    )
    found = answer(standard_base_excess_mmol_l, ph, answer(derived_bicarbonate_mmol_l, ph, kpa(pco2)))
    assert found == pytest.approx(recommended, abs=1.5)


# --- compensation ---------------------------------------------------------------------------------------------------


def test_expected_bicarbonate_at_60_mmhg() -> None:
    """Teaching text: 26 if acute, 31 if chronic."""
    assert answer(expected_bicarbonate_acute_mmol_l, kpa(60)) == pytest.approx(26, abs=1e-9)
    assert answer(expected_bicarbonate_chronic_mmol_l, kpa(60)) == pytest.approx(31, abs=1e-9)


def test_expected_bicarbonate_at_72_mmhg() -> None:
    """Examination question after Harrison's Principles: 3.5 for each 10 mmHg, about 35 at 72 mmHg."""
    assert answer(expected_bicarbonate_chronic_mmol_l, kpa(72)) == pytest.approx(35.2, abs=0.05)


@given(st.floats(5.4, 25))
def test_chronic_retention_leads_to_more_bicarbonate_than_acute(pco2: float) -> None:
    acute = answer(expected_bicarbonate_acute_mmol_l, pco2)
    assert 24 < acute < answer(expected_bicarbonate_chronic_mmol_l, pco2)


def test_at_40_mmhg_both_expect_24() -> None:
    assert answer(expected_bicarbonate_acute_mmol_l, kpa(40)) == pytest.approx(24)
    assert answer(expected_bicarbonate_chronic_mmol_l, kpa(40)) == pytest.approx(24)


# --- oxygen ---------------------------------------------------------------------------------------------------------


def test_alveolar_gas_on_air() -> None:
    """Workbook answer: 0.21 and 40 mmHg give 99.7 mmHg, 13.3 kPa."""
    found = answer(alveolar_po2_kpa, 0.21, kpa(40))
    assert mmhg(found) == pytest.approx(99.7, abs=0.05)
    assert found == pytest.approx(13.3, abs=0.05)


def test_alveolar_gas_on_60_percent_with_a_quotient_of_1() -> None:
    """Workbook: 713 x 0.6 - 40. The copy prints 377.8 in the working and 388 as the answer; the sum is 387.8."""
    assert mmhg(answer(alveolar_po2_kpa, 0.60, kpa(40), respiratory_quotient=1.0)) == pytest.approx(387.8, abs=0.05)


# Derived.
@pytest.mark.parametrize(("fio2", "pco2", "alveolar"), [(0.21, 60, 74.7), (0.21, 80, 49.7), (0.28, 60, 124.6)])
def test_a_high_co2_alone_lowers_alveolar_oxygen(fio2: float, pco2: float, alveolar: float) -> None:
    assert mmhg(answer(alveolar_po2_kpa, fio2, kpa(pco2))) == pytest.approx(alveolar, abs=0.05)


def test_the_difference_of_the_reference_gas() -> None:
    """Alveolar 99.7 mmHg (above) less an arterial 95 mmHg (derived)."""
    found = answer(alveolar_arterial_difference_kpa, 0.21, kpa(40), kpa(95))
    assert mmhg(found) == pytest.approx(4.7, abs=0.05)


def test_the_ratio_of_pressure_and_fraction() -> None:
    """105 mmHg on air is a ratio of 500 mmHg: an interpreter of blood gases, after an analyser's manual."""
    assert mmhg(answer(po2_fio2_ratio_kpa, kpa(105), 0.21)) == pytest.approx(500)


@given(st.floats(0.21, 0.99), PCO2_KPA, st.floats(1, 90))
def test_more_inspired_oxygen_raises_alveolar_oxygen_and_lowers_the_ratio(fio2: float, pco2: float, po2: float) -> None:
    assert answer(alveolar_po2_kpa, fio2 + 0.01, pco2) > answer(alveolar_po2_kpa, fio2, pco2)
    assert answer(po2_fio2_ratio_kpa, po2, fio2 + 0.01) < answer(po2_fio2_ratio_kpa, po2, fio2)


# --- missing --------------------------------------------------------------------------------------------------------


def test_missing_in_is_missing_out() -> None:
    one = [kpa_from_mmhg, mmhg_from_kpa, hydrogen_ion_nmol_l, ph_from_hydrogen_ion]
    one += [expected_bicarbonate_acute_mmol_l, expected_bicarbonate_chronic_mmol_l]
    assert [answer(formula, None) for formula in one] == [None] * 6
    two = [derived_bicarbonate_mmol_l, ph_from_bicarbonate, standard_base_excess_mmol_l]
    two += [alveolar_po2_kpa, po2_fio2_ratio_kpa]
    for formula in two:
        assert (answer(formula, None, 5.0), answer(formula, 7.4, None)) == (None, None)
    for gap in ([None, 5.3, 12.0], [0.21, None, 12.0], [0.21, 5.3, None]):
        assert answer(alveolar_arterial_difference_kpa, *gap) is None


def test_what_has_no_logarithm_has_no_ph() -> None:
    assert answer(ph_from_hydrogen_ion, 0) is None
    assert answer(ph_from_bicarbonate, 0, 5.3) is None
    assert answer(ph_from_bicarbonate, 24, 0) is None


def test_a_column_comes_out_as_a_column() -> None:
    frame = pl.DataFrame({"ph": [7.4, None, 7.16], "pco2": [kpa(40), kpa(40), kpa(70)]})
    found = frame.select(derived_bicarbonate_mmol_l(pl.col("ph"), pl.col("pco2")).round(1)).to_series()
    assert found.to_list() == [23.9, None, 24.1]
