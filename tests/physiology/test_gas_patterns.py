"""Patterns of one gas by published rules, at their edges; venous and capillary samples."""

from functools import partial

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physiology.blood_gas import derived_bicarbonate_mmol_l
from pipeline.physiology.gas_patterns import PATTERNS_IN_WORDS, gas_pattern, usable_po2_kpa, venous_screen
from pipeline.policy import read_policy
from tests.physiology.scalars import NO_NUMBER, NO_TEXT, answer

POLICY = read_policy()
pattern = partial(answer, partial(gas_pattern, POLICY))
screen = partial(answer, partial(venous_screen, POLICY))

MMHG = 0.133322387415


# Rules: British Thoracic Society and Intensive Care Society 2016 and common practice, from memory:
# pH 7.35 or more, pCO2 over 6.0 kPa, bicarbonate over 28: compensated; pH under 7.35, bicarbonate over 30: acute on
# chronic. A normal range of 22-26 mmol/L and 7.35-7.45: textbooks.
@pytest.mark.parametrize(
    ("ph", "pco2", "bicarbonate", "expected"),
    [
        # pCO2: 6.0 is no retention, anything above it is; whatever the pH.
        (7.20, 6.0, 17, "no_retention"),
        (7.40, 6.0, 28.5, "no_retention"),
        (7.20, 5.9995, 17, "no_retention"),
        (7.20, 6.01, 22, "acute"),
        (7.40, 6.01, 28.5, "compensated"),
        # pH: 7.35 is no acidosis, 7.349 is.
        (7.349, 8.0, 30, "acute"),
        (7.35, 8.0, 30, "compensated"),
        # Bicarbonate in acidosis: 30 is acute, above it acute on chronic; under 22 mixed.
        (7.30, 9.0, 30, "acute"),
        (7.30, 9.0, 30.01, "acute_on_chronic"),
        (7.10, 8.0, 22, "acute"),
        (7.10, 8.0, 21.99, "mixed"),
        # Bicarbonate without acidosis: 28 is not raised, above it is.
        (7.35, 6.5, 28, "bicarbonate_not_raised"),
        (7.35, 6.5, 28.01, "compensated"),
        # pH 7.45 is not alkalosis, anything above it is.
        (7.45, 6.5, 33, "compensated"),
        (7.451, 6.5, 33, "alkalosis"),
        (7.50, 6.5, 27, "alkalosis"),
    ],
)
def test_the_rules_at_their_edges(ph: float, pco2: float, bicarbonate: float, expected: str) -> None:
    assert pattern("arterial", ph, pco2, bicarbonate) == expected
    # A capillary sample may stand for an arterial one in pH and pCO2 (British Thoracic Society 2017, section 8, from
    # memory; bias of pCO2 0.25-0.29 kPa and of pH 0.02: Zavorsky 2007).
    assert pattern("capillary", ph, pco2, bicarbonate) == expected
    assert pattern("venous", ph, pco2, bicarbonate) == "unknown"


# Worked gases of teaching texts.
@pytest.mark.parametrize(
    ("ph", "pco2_mmhg", "bicarbonate", "expected"),
    [
        # Examination question: pH 7.35, 60 mmHg, 31: compensated respiratory acidosis.
        (7.35, 60, 31, "compensated"),
        # Examination question: pH 7.28, 72 mmHg, 32 in an exacerbation: acute on chronic.
        (7.28, 72, 32, "acute_on_chronic"),
        # Physiology text: 70 mmHg with 24: pH 7.16, uncompensated; with 36: pH 7.33, chronic and still acidotic.
        (7.16, 70, 24, "acute"),
        (7.33, 70, 36, "acute_on_chronic"),
        # The reference gas.
        (7.40, 40, 24, "no_retention"),
        # Open-standard example: 45 mmHg is 5.9995 kPa, no retention.
        (7.32, 45, 23, "no_retention"),
    ],
)
def test_worked_gases(ph: float, pco2_mmhg: float, bicarbonate: float, expected: str) -> None:
    assert pattern("arterial", ph, pco2_mmhg * MMHG, bicarbonate) == expected


def test_the_two_definitions_of_acidosis_are_not_the_same() -> None:
    """H+ over 45 nmol/L is a pH under 7.347: a gas of 7.348 is acidotic by pH (derived)."""
    assert pattern("arterial", 7.348, 8.0, 31) == "acute_on_chronic"


@pytest.mark.parametrize(
    ("ph", "pco2_mmhg", "expected"),
    [(7.16, 70, "acute"), (7.334, 70, "acute_on_chronic"), (7.40, 60, "compensated"), (7.38, 50, "compensated")],
)
def test_without_a_charted_bicarbonate_the_derived_one_decides(ph: float, pco2_mmhg: float, expected: str) -> None:
    assert pattern("arterial", ph, pco2_mmhg * MMHG, None) == expected


def test_a_charted_bicarbonate_goes_before_the_derived_one() -> None:
    assert answer(derived_bicarbonate_mmol_l, 7.30, 9.0) > 30
    assert pattern("arterial", 7.30, 9.0, None) == "acute_on_chronic"
    assert pattern("arterial", 7.30, 9.0, 29) == "acute"


@pytest.mark.parametrize(
    ("sample", "ph", "pco2", "bicarbonate", "expected"),
    [
        ("arterial", 7.30, None, 31, "unknown"),
        ("arterial", None, 8.0, 31, "unknown"),
        ("arterial", None, 6.0, None, "no_retention"),
        ("arterial", None, None, None, "unknown"),
        (NO_TEXT, 7.30, 8.0, 31, "unknown"),
    ],
)
def test_what_is_missing_makes_the_pattern_unknown(
    sample: str, ph: float, pco2: float, bicarbonate: float, expected: str
) -> None:
    assert pattern(sample, ph, pco2, bicarbonate) == expected


MAYBE_PH = st.none() | st.floats(6.5, 8.0)
MAYBE_PCO2 = st.none() | st.floats(1.5, 25)


@given(st.sampled_from(["arterial", "capillary", "venous"]), MAYBE_PH, MAYBE_PCO2, st.none() | st.floats(5, 60))
def test_every_gas_has_a_pattern_with_words(
    sample: str, ph: float | None, pco2: float | None, bicarbonate: float | None
) -> None:
    found = pattern(sample, ph, pco2, bicarbonate)
    assert found in PATTERNS_IN_WORDS
    acidosis = sample != "venous" and ph is not None and pco2 is not None and ph < 7.35 and pco2 > 6.0
    assert (found in ("acute", "acute_on_chronic", "mixed")) is acidosis


# Kelly, J Emerg Med 2005;28:377: a venous pCO2 up to 45 mmHg (6.0 kPa): 30 of 30 had no arterial pCO2 over 50 mmHg;
# above it nothing follows (specificity 47 %).
@pytest.mark.parametrize(
    ("pco2", "expected"),
    [(5.0, "retention_unlikely"), (6.0, "retention_unlikely"), (6.01, "cannot_tell"), (12.0, "cannot_tell")],
)
def test_a_venous_gas_makes_retention_unlikely_or_says_nothing(pco2: float, expected: str) -> None:
    assert screen("venous", pco2) == expected


def test_the_venous_screen_is_for_venous_gases() -> None:
    assert screen("venous", None) == "cannot_tell"
    assert screen("arterial", 5.0) is None
    assert screen("capillary", 5.0) is None
    assert screen(NO_TEXT, 5.0) is None


def test_no_venous_gas_proves_retention() -> None:
    """Of 64 arterially normal patients about half had a venous pCO2 over 45 mmHg (same paper)."""
    for pco2 in (6.01, 8.0, 15.0, 25.0):
        assert pattern("venous", 7.2, pco2, 35) == "unknown"
        assert screen("venous", pco2) == "cannot_tell"


def test_only_an_arterial_po2_speaks_of_the_arteries() -> None:
    """A fingertip pO2 lies 11.5 mmHg off: Zavorsky, meta-analysis 2007."""
    assert answer(usable_po2_kpa, "arterial", 8.0) == 8.0
    assert answer(usable_po2_kpa, "capillary", 8.0) is None
    assert answer(usable_po2_kpa, "venous", 8.0) is None
    assert answer(usable_po2_kpa, NO_TEXT, 8.0) is None
    assert answer(usable_po2_kpa, "arterial", NO_NUMBER) is None


def test_a_frame_of_gases() -> None:
    gases = pl.DataFrame(
        {
            "sample_type": ["arterial", "venous", None],
            "ph": [7.30, 7.30, 7.30],
            "pco2_kpa": [9.0, 9.0, 9.0],
            "bicarbonate_mmol_l": [None, 31.0, 31.0],
        }
    )
    found = gases.select(gas_pattern(POLICY, *(pl.col(name) for name in gases.columns)))
    assert found.to_series().to_list() == ["acute_on_chronic", "unknown", "unknown"]
