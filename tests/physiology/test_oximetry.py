"""Expected saturation against the measured standard curve and other curves; doubtful pairs in both directions."""

import math
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from pipeline.physiology.oximetry import expected_saturation_percent, oximeter_agreement, standard_po2_mmhg
from pipeline.policy import read_policy
from tests.physiology.scalars import NO_TEXT, answer

POLICY = read_policy()
agreement = partial(answer, partial(oximeter_agreement, POLICY))
saturation = partial(answer, expected_saturation_percent)

MMHG = 0.133322387415

# Severinghaus, J Appl Physiol 1979;46:599-602, table 1: pO2 in mmHg and measured saturation in per cent.
# fmt: off
MEASURED = {
    1: 0.60, 2: 1.19, 4: 2.56, 6: 4.37, 8: 6.68, 10: 9.58, 12: 12.96, 14: 16.89, 16: 21.40, 18: 26.50, 20:
    32.12, 22: 37.60, 24: 43.14, 26: 48.27, 28: 53.16, 30: 57.54, 32: 61.69, 34: 65.16, 36: 68.63, 38: 71.94,
    40: 74.69, 42: 77.29, 44: 79.55, 46: 81.71, 48: 83.52, 50: 85.08, 52: 86.59, 54: 87.70, 56: 88.93, 58:
    89.95, 60: 90.85, 65: 92.73, 70: 94.06, 75: 95.10, 80: 95.84, 85: 96.42, 90: 96.88, 95: 97.25, 100: 97.49,
    110: 97.91, 120: 98.21, 130: 98.44, 140: 98.62, 150: 98.77, 175: 99.03, 200: 99.20, 225: 99.32, 250: 99.41,
    300: 99.53, 400: 99.65, 500: 99.72,
}
# fmt: on


@pytest.mark.parametrize(("po2_mmhg", "measured"), MEASURED.items())
def test_the_curve_lies_on_the_measured_one(po2_mmhg: float, measured: float) -> None:
    assert saturation(po2_mmhg * MMHG, 7.40) == pytest.approx(measured, abs=0.56)


# The equation itself (derived; 8.0 kPa: 0.90582 in the text of an open package).
@pytest.mark.parametrize(
    ("po2_kpa", "percent"), [(8.0, 90.58), (10.0, 94.88), (13.3, 97.73), (20 * MMHG, 31.98), (150 * MMHG, 99.32)]
)
def test_the_equation_at_standard_conditions(po2_kpa: float, percent: float) -> None:
    assert saturation(po2_kpa, 7.40) == pytest.approx(percent, abs=0.006)
    assert saturation(po2_kpa, 7.40, 40 * MMHG, 37.0) == pytest.approx(percent, abs=0.006)


# Turned round (derived): saturation, mmHg, kPa.
@pytest.mark.parametrize(
    ("percent", "in_mmhg", "in_kpa"),
    [(88, 54.7, 7.29), (90, 58.7, 7.82), (92, 63.8, 8.50), (94, 70.9, 9.45), (98, 104.2, 13.89)],
)
def test_the_po2_of_the_band_edges(percent: float, in_mmhg: float, in_kpa: float) -> None:
    found = brentq(lambda po2: saturation(po2, 7.40) - percent, 1, 60)
    assert found == pytest.approx(in_kpa, abs=0.006)
    assert found / MMHG == pytest.approx(in_mmhg, abs=0.06)


def kelman_percent(standard_mmhg: float) -> float:
    """Kelman's polynomial of 1966, another fit of the standard curve."""
    x = standard_mmhg
    upper = ((x - 67.073989) * x + 2121.4010) * x - 8532.2289
    lower = (((x - 67.104406) * x + 2396.1674) * x - 31346.258) * x + 935960.87
    return 100 * upper * x / lower


# Kelman's curve as a library of blood-gas routines in R computes it: pO2 in kPa, temperature, saturation in per cent.
KELMAN = [(10, 37, 95.0795), (5, 37, 70.3525), (10, 35, 96.2480)]


@pytest.mark.parametrize(("po2_kpa", "celsius", "percent"), KELMAN)
def test_the_corrected_po2_on_kelmans_own_curve_gives_his_saturation(
    po2_kpa: float, celsius: float, percent: float
) -> None:
    corrected = answer(standard_po2_mmhg, po2_kpa, 7.40, 5.3329, celsius)
    assert kelman_percent(corrected) == pytest.approx(percent, abs=0.0005)


@pytest.mark.parametrize(("po2_kpa", "celsius", "percent"), KELMAN)
def test_the_two_published_curves_are_about_a_point_apart(po2_kpa: float, celsius: float, percent: float) -> None:
    """At 37.5 mmHg Kelman lies 0.8 points under the measured table, Severinghaus 0.3 over it (derived)."""
    assert saturation(po2_kpa, 7.40, 5.3329, celsius) == pytest.approx(percent, abs=1.1)


def test_the_shift_with_ph_is_that_of_the_bohr_effect() -> None:
    """Severinghaus: near the half-saturated point d ln pO2 / d pH = (26.6 / 26.6) ** 0.184 - 2.2 = -1.2, for pH moved
    by CO2; log10 pCO2 falls by about 1.3 for each pH unit then (textbooks, from memory)."""
    up = answer(standard_po2_mmhg, 26.6 * MMHG, 7.45, 40 * MMHG * 10 ** (-1.3 * 0.05))
    down = answer(standard_po2_mmhg, 26.6 * MMHG, 7.35, 40 * MMHG * 10 ** (1.3 * 0.05))
    assert math.log(up / down) / 0.1 == pytest.approx(1.2, abs=0.13)


def test_the_corrections_of_kelman_by_hand() -> None:
    """0.40 for each pH unit, 0.024 for each degree, 0.06 for a tenfold pCO2 (derived)."""
    assert answer(standard_po2_mmhg, 60 * MMHG, 7.20) == pytest.approx(60 * 10**-0.08, rel=1e-9)
    assert answer(standard_po2_mmhg, 60 * MMHG, 7.40, None, 39.0) == pytest.approx(60 * 10**-0.048, rel=1e-9)
    assert answer(standard_po2_mmhg, 60 * MMHG, 7.40, 80 * MMHG) == pytest.approx(60 * 2**-0.06, rel=1e-9)


@given(st.floats(2, 30), st.floats(6.9, 7.6), st.floats(2, 15), st.floats(33, 41))
def test_more_oxygen_less_acid_less_heat_mean_more_saturation(
    po2: float, ph: float, pco2: float, celsius: float
) -> None:
    here = saturation(po2, ph, pco2, celsius)
    assert 0 < here < 100
    assert saturation(po2 + 0.1, ph, pco2, celsius) > here
    assert saturation(po2, ph + 0.05, pco2, celsius) > here
    assert saturation(po2, ph, pco2 + 0.5, celsius) < here
    assert saturation(po2, ph, pco2, celsius + 0.5) < here


def test_without_po2_or_ph_nothing_is_expected() -> None:
    assert saturation(None, 7.40, 5.3) is None
    assert saturation(8.0, None, 5.3) is None
    assert saturation(8.0, 7.40, None) == saturation(8.0, 7.40)


# --- doubtful pairs -------------------------------------------------------------------------------------------------

# At 8.0 kPa, pH 7.40 and 40 mmHg one expects 90.58 %. FDA 2021: a reading of 90 % may be 86-94 %.
AT_8_KPA = ("arterial", 8.0, 7.40, 40 * MMHG)


@pytest.mark.parametrize(
    ("reading", "expected"),
    [(90, "agrees"), (94, "agrees"), (94.5, "agrees"), (95, "reads_higher"), (87, "agrees"), (86, "reads_lower")],
)
def test_a_reading_more_than_four_points_off_is_doubtful(reading: float, expected: str) -> None:
    assert agreement(reading, *AT_8_KPA) == expected


def test_exactly_four_points_off_still_agree() -> None:
    expected = saturation(8.0, 7.40, 40 * MMHG)
    assert agreement(expected + 3.999, *AT_8_KPA) == "agrees"
    assert agreement(expected + 4.001, *AT_8_KPA) == "reads_higher"
    assert agreement(expected - 3.999, *AT_8_KPA) == "agrees"
    assert agreement(expected - 4.001, *AT_8_KPA) == "reads_lower"


def test_a_venous_sample_called_arterial_stands_out() -> None:
    """A mixed venous pO2 of 40 mmHg is a saturation of 75 %: textbooks, and table 1 above."""
    assert agreement(91, "arterial", 40 * MMHG, 7.36, 46 * MMHG) == "reads_higher"


def test_hidden_hypoxaemia_stands_out() -> None:
    """Valbuena, BMJ 2022: readings of 92 % and more with an arterial saturation under 88 %."""
    po2_of_86_percent = brentq(lambda po2: saturation(po2, 7.40) - 86, 1, 60)
    assert agreement(92, "arterial", po2_of_86_percent, 7.40, 40 * MMHG) == "reads_higher"


def test_acidosis_is_allowed_for() -> None:
    """At pH 7.15 a pO2 of 8 kPa is far less saturated: the same pair agrees at one pH and not at the other."""
    assert agreement(83, "arterial", 8.0, 7.40, 40 * MMHG) == "reads_lower"
    assert agreement(83, "arterial", 8.0, 7.15, 80 * MMHG) == "agrees"


@pytest.mark.parametrize("sample", ["venous", "capillary", NO_TEXT])
def test_only_arterial_samples_are_compared(sample: str) -> None:
    assert agreement(60, sample, 8.0, 7.40, 5.3) is None


def test_what_is_missing_makes_no_pair() -> None:
    assert agreement(None, "arterial", 8.0, 7.40, 5.3) is None
    assert agreement(90, "arterial", None, 7.40, 5.3) is None
    assert agreement(90, "arterial", 8.0, None, 5.3) is None
    assert agreement(90, "arterial", 8.0, 7.40, None) == "agrees"
