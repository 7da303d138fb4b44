"""Blood-gas arithmetic: units, hydrogen ion, bicarbonate, base excess, what compensation leads one to expect, oxygen.

Pressures in kPa unless the name says mmHg, bicarbonate and base excess in mmol/L, at 37 degrees Celsius. Null in,
null out.
"""

import polars as pl

# 1 mmHg = 133.322387415 Pa: NIST SP 811, conventional millimetre of mercury.
KPA_PER_MMHG = 0.133322387415

# Henderson-Hasselbalch: pH = pK + log10(HCO3 / (s x pCO2 in mmHg)); physiology textbooks. Analysers use constants of
# their own (6.095 and 0.0307, or one that moves with pH) and chart some 0.5-1 mmol/L more.
PK_CARBONIC_ACID = 6.1
CO2_SOLUBILITY_MMOL_L_MMHG = 0.03

# The Van Slyke equation (Siggaard-Andersen) with a haemoglobin of 3.1 mmol/L (50 g/L), as spread over the
# extracellular fluid: standard base excess.
_HAEMOGLOBIN_MMOL_L = 3.1
_BICARBONATE_AT_PH_7_40 = 24.4

NORMAL_PCO2_MMHG = 40.0
NORMAL_BICARBONATE_MMOL_L = 24.0
# mmol/L for each mmHg of pCO2 above normal: Narins and Emmett; HK Pract 2005, table 3.
ACUTE_BICARBONATE_PER_MMHG = 0.1
CHRONIC_BICARBONATE_PER_MMHG = 0.35

# One standard atmosphere; water vapour at 37 degrees (47 mmHg).
BAROMETRIC_PRESSURE_KPA = 101.325
WATER_VAPOUR_KPA = 47 * KPA_PER_MMHG
RESPIRATORY_QUOTIENT = 0.8


def kpa_from_mmhg(pressure_mmhg: pl.Expr) -> pl.Expr:
    """Pressure in kPa."""
    return pressure_mmhg * KPA_PER_MMHG


def mmhg_from_kpa(pressure_kpa: pl.Expr) -> pl.Expr:
    """Pressure in mmHg."""
    return pressure_kpa / KPA_PER_MMHG


def hydrogen_ion_nmol_l(ph: pl.Expr) -> pl.Expr:
    """Hydrogen ion concentration in nmol/L: 10 to the power of (9 - pH)."""
    return pl.lit(10.0).pow(9 - ph)


def ph_from_hydrogen_ion(hydrogen_ion_nmol_l: pl.Expr) -> pl.Expr:
    """The pH of a hydrogen ion concentration in nmol/L; null for none."""
    return 9 - pl.when(hydrogen_ion_nmol_l > 0).then(hydrogen_ion_nmol_l).log(10)


def derived_bicarbonate_mmol_l(ph: pl.Expr, pco2_kpa: pl.Expr) -> pl.Expr:
    """Bicarbonate by Henderson-Hasselbalch: 0.03 x pCO2 in mmHg x 10 to the power of (pH - 6.1)."""
    dissolved = CO2_SOLUBILITY_MMOL_L_MMHG * mmhg_from_kpa(pco2_kpa)
    return dissolved * pl.lit(10.0).pow(ph - PK_CARBONIC_ACID)


def ph_from_bicarbonate(bicarbonate_mmol_l: pl.Expr, pco2_kpa: pl.Expr) -> pl.Expr:
    """The pH by Henderson-Hasselbalch; null where either is not above 0."""
    ratio = bicarbonate_mmol_l / (CO2_SOLUBILITY_MMOL_L_MMHG * mmhg_from_kpa(pco2_kpa))
    return PK_CARBONIC_ACID + pl.when((bicarbonate_mmol_l > 0) & (pco2_kpa > 0)).then(ratio).log(10)


def bicarbonate_in_use_mmol_l(charted_mmol_l: pl.Expr, ph: pl.Expr, pco2_kpa: pl.Expr) -> pl.Expr:
    """Bicarbonate as charted; derived from pH and pCO2 where none was."""
    return pl.coalesce(charted_mmol_l, derived_bicarbonate_mmol_l(ph, pco2_kpa))


def standard_base_excess_mmol_l(ph: pl.Expr, bicarbonate_mmol_l: pl.Expr) -> pl.Expr:
    """Standard base excess by the Van Slyke equation: 0.9287 x (HCO3 - 24.4 + 14.83 x (pH - 7.40)).

    Source: Siggaard-Andersen, Scand J Clin Lab Invest 1971;27:239-245. Above 0: more base than normal, as after days
    of CO2 retention.
    """
    buffering = 2.3 * _HAEMOGLOBIN_MMOL_L + 7.7
    spread = 1 - 0.023 * _HAEMOGLOBIN_MMOL_L
    return spread * (bicarbonate_mmol_l - _BICARBONATE_AT_PH_7_40 + buffering * (ph - 7.40))


def expected_bicarbonate_acute_mmol_l(pco2_kpa: pl.Expr) -> pl.Expr:
    """Bicarbonate to be expected at a raised pCO2 within hours: 1 mmol/L more for each 10 mmHg above 40."""
    return _expected_bicarbonate(pco2_kpa, ACUTE_BICARBONATE_PER_MMHG)


def expected_bicarbonate_chronic_mmol_l(pco2_kpa: pl.Expr) -> pl.Expr:
    """Bicarbonate to be expected at a raised pCO2 after days: 3.5 mmol/L more for each 10 mmHg above 40."""
    return _expected_bicarbonate(pco2_kpa, CHRONIC_BICARBONATE_PER_MMHG)


def alveolar_po2_kpa(fio2: pl.Expr, pco2_kpa: pl.Expr, respiratory_quotient: float = RESPIRATORY_QUOTIENT) -> pl.Expr:
    """Alveolar pO2 at sea level: FiO2 x (barometric - water vapour) - pCO2 / respiratory quotient.

    The alveolar gas equation in its short form, as physiology texts give it.
    """
    return fio2 * (BAROMETRIC_PRESSURE_KPA - WATER_VAPOUR_KPA) - pco2_kpa / respiratory_quotient


def alveolar_arterial_difference_kpa(fio2: pl.Expr, pco2_kpa: pl.Expr, po2_kpa: pl.Expr) -> pl.Expr:
    """Alveolar less arterial pO2; small where retention alone explains a low saturation. Arterial samples only."""
    return alveolar_po2_kpa(fio2, pco2_kpa) - po2_kpa


def po2_fio2_ratio_kpa(po2_kpa: pl.Expr, fio2: pl.Expr) -> pl.Expr:
    """Arterial pO2 over the inspired fraction, in kPa; null where the fraction is unknown. Arterial samples only."""
    return po2_kpa / fio2


def _expected_bicarbonate(pco2_kpa: pl.Expr, per_mmhg: float) -> pl.Expr:
    return NORMAL_BICARBONATE_MMOL_L + per_mmhg * (mmhg_from_kpa(pco2_kpa) - NORMAL_PCO2_MMHG)
