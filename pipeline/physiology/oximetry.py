"""The saturation a blood gas leads one to expect, and whether an oximeter reading beside it agrees.

Used to flag doubtful pairs, never to fill in a missing value.
"""

import polars as pl

from pipeline.physiology.blood_gas import NORMAL_PCO2_MMHG, mmhg_from_kpa
from pipeline.physiology.gas_patterns import usable_po2_kpa
from pipeline.policy import Policy

READS_HIGHER = "reads_higher"
READS_LOWER = "reads_lower"
AGREES = "agrees"

# How pH, temperature and pCO2 move the curve, in powers of ten of the pO2: Kelman, J Appl Physiol 1966;21:1375-6.
_PER_PH = 0.40
_PER_DEGREE = 0.024
_PER_TENFOLD_PCO2 = 0.06
_STANDARD_PH = 7.40
_STANDARD_CELSIUS = 37.0


def standard_po2_mmhg(
    po2_kpa: pl.Expr,
    ph: pl.Expr,
    pco2_kpa: pl.Expr | None = None,
    temperature_celsius: float | pl.Expr = _STANDARD_CELSIUS,
) -> pl.Expr:
    """The pO2 that gives the same saturation at pH 7.40, pCO2 40 mmHg and 37 degrees Celsius.

    Without pCO2 its small part is left out. Analysers report at 37 degrees, which is the usual value here.
    """
    power = _PER_PH * (ph - _STANDARD_PH) + _PER_DEGREE * (_STANDARD_CELSIUS - temperature_celsius)
    if pco2_kpa is not None:
        power = power + (_PER_TENFOLD_PCO2 * (NORMAL_PCO2_MMHG / mmhg_from_kpa(pco2_kpa)).log(10)).fill_null(0.0)
    return mmhg_from_kpa(po2_kpa) * pl.lit(10.0).pow(power)


def expected_saturation_percent(
    po2_kpa: pl.Expr,
    ph: pl.Expr,
    pco2_kpa: pl.Expr | None = None,
    temperature_celsius: float | pl.Expr = _STANDARD_CELSIUS,
) -> pl.Expr:
    """Oxygen saturation of blood in per cent; null where pO2 or pH is.

    Source: Severinghaus, J Appl Physiol 1979;46:599-602, with the pO2 corrected as by Kelman (1966). Supposes normal
    haemoglobin: carbon monoxide, methaemoglobin and 2,3-diphosphoglycerate are not in it.
    """
    p = standard_po2_mmhg(po2_kpa, ph, pco2_kpa, temperature_celsius)
    return 100 / (23400 / (p.pow(3) + 150 * p) + 1)


def oximeter_agreement(
    policy: Policy,
    spo2_percent: pl.Expr,
    sample_type: pl.Expr,
    po2_kpa: pl.Expr,
    ph: pl.Expr,
    pco2_kpa: pl.Expr,
) -> pl.Expr:
    """Whether an oximeter reading and a gas taken at the same time go together: `agrees`, or the pair is doubtful.

    `reads_higher`: the reading is more than `saturation_tolerance_points` above what the gas leads one to expect;
    a venous sample called arterial, or low oxygen that the oximeter does not see. `reads_lower`: as far below; cold
    hands, poor perfusion, movement, or oxygen changed in between. Which of the two is wrong cannot be told.
    Null where reading, pO2 or pH is missing, and for venous and capillary samples. Choosing pairs close in time is
    left to the caller.
    """
    expected = expected_saturation_percent(usable_po2_kpa(sample_type, po2_kpa), ph, pco2_kpa)
    apart = spo2_percent - expected
    return (
        pl.when(apart > policy.saturation_tolerance_points)
        .then(pl.lit(READS_HIGHER))
        .when(apart < -policy.saturation_tolerance_points)
        .then(pl.lit(READS_LOWER))
        .when(apart.is_not_null())
        .then(pl.lit(AGREES))
    )
