"""The patients' physiology: how saturation follows inspired oxygen, and CO2 and pH follow both.

Deliberately small and the simulation's own: the audit's formulas live elsewhere and are not used here, so that
the audit is not compared with itself. Pressures are in kPa, fractions of gas 0-1, saturation in per cent.
"""

import numpy as np

from synthetic_data.hospital import Floats

MMHG_PER_KPA = 7.50062
DRY_BAROMETRIC_KPA = 101.3 - 6.3
RESPIRATORY_QUOTIENT = 0.8
AIR_FRACTION = 0.21
# Share of a rise in alveolar oxygen that reaches the blood, beside the a/A ratio. Set so that going from 24 to
# 28 % raises arterial oxygen by about 1.3 kPa in acute on chronic failure (10 mmHg measured, Br Med J, seven patients).
RESPONSE_TO_OXYGEN = 0.65
# Arterial oxygen above which the ventilation of a CO2-sensitive patient falls.
EXCESS_ABOVE_KPA = 8.3
NORMAL_PCO2_KPA = 5.3
NORMAL_BICARBONATE = 25.0


def alveolar_po2_kpa(fio2: Floats, pco2_kpa: Floats) -> Floats:
    """Alveolar oxygen by the alveolar gas equation, in kPa."""
    return fio2 * DRY_BAROMETRIC_KPA - pco2_kpa / RESPIRATORY_QUOTIENT


def arterial_po2_kpa(fio2: Floats, pco2_kpa: Floats, ratio: Floats) -> Floats:
    """Arterial oxygen in kPa; `ratio` is arterial over alveolar oxygen on air, 1 for a perfect lung."""
    on_air = alveolar_po2_kpa(np.full_like(pco2_kpa, AIR_FRACTION), pco2_kpa)
    gained = (fio2 - AIR_FRACTION) * DRY_BAROMETRIC_KPA
    return np.maximum(ratio * (np.maximum(on_air, 3.0) + RESPONSE_TO_OXYGEN * gained), 2.5)


def saturation_percent(po2_kpa: Floats) -> Floats:
    """Oxygen saturation of haemoglobin; Severinghaus, J Appl Physiol 1979;46:599-602, at pH 7.4 and 37 C."""
    po2 = po2_kpa * MMHG_PER_KPA
    return 100.0 / (23_400.0 / (po2 * po2 * po2 + 150.0 * po2) + 1.0)


def excess_oxygen_kpa(po2_kpa: Floats) -> Floats:
    """Arterial oxygen beyond what the patient needs, in kPa, at most 8."""
    return np.clip(po2_kpa - EXCESS_ABOVE_KPA, 0.0, 8.0)


def settled_bicarbonate(usual_pco2_kpa: Floats) -> Floats:
    """Bicarbonate in mmol/L after the kidney has answered a lasting pCO2: 0.38 mmol/L per mmHg (texts: 0.3-0.4)."""
    return NORMAL_BICARBONATE + 0.38 * MMHG_PER_KPA * (usual_pco2_kpa - NORMAL_PCO2_KPA)


def acute_bicarbonate(settled: Floats, usual_pco2_kpa: Floats, pco2_kpa: Floats) -> Floats:
    """Bicarbonate in mmol/L at once after a change of pCO2: 0.1 mmol/L per mmHg."""
    return settled + 0.1 * MMHG_PER_KPA * (pco2_kpa - usual_pco2_kpa)


def ph(pco2_kpa: Floats, bicarbonate_mmol_l: Floats) -> Floats:
    """pH by Henderson-Hasselbalch: 6.1 + log10(bicarbonate / (0.03 x pCO2 in mmHg))."""
    return 6.1 + np.log10(bicarbonate_mmol_l / (0.03 * MMHG_PER_KPA * pco2_kpa))


def true_inspired_fraction(best: Floats, best_is_exact: np.ndarray, delivery: Floats) -> Floats:
    """What reaches the airway: the device's best estimate, spread by how the patient breathes.

    `delivery` scales the oxygen above air (1: as the table says). Where `best_is_exact` (entrainment masks and
    driven circuits) only an eighth of the spread counts: measured within about 2 points (Jones, Lancet
    1984;1:1427-31). Bench measurements on cannulas spread widely (Katz, Respir Res 2019;20:149).
    """
    spread = np.where(best_is_exact, 1.0 + (delivery - 1.0) / 8.0, delivery)
    return np.clip(AIR_FRACTION + (best - AIR_FRACTION) * spread, AIR_FRACTION, 0.98)
