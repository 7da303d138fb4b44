"""Blood gases and flags as they were written down."""

import numpy as np
import polars as pl

from synthetic_data.bedside import Course
from synthetic_data.charted import blanked, clock, in_columns, instants, stay_ids
from synthetic_data.grid import Grid
from synthetic_data.hospital import DAY, MINUTE, Bools, Change, Ints, out_of_shut_hour
from synthetic_data.journey import Exclusions
from synthetic_data.oxygen import BEST
from synthetic_data.patients import Stays
from synthetic_data.physiology import acute_bicarbonate, ph

HYPERCAPNIA_FLAGGED = Change(0.35, 0.50)
ALERT_FLAGGED = Change(0.10, 0.30)


def gases_table(rng: np.random.Generator, stays: Stays, grid: Grid, course: Course) -> pl.DataFrame:
    """One row per gas, mostly arterial; venous ones have higher CO2, lower pH and much lower oxygen."""
    log = course.gases
    stay, count = log["stay"], len(log["stay"])
    here = grid.offset[stay] + log["cell"]
    kind = np.searchsorted([0.76, 0.91], rng.random(count), side="right")
    venous = kind == 2
    noise = rng.normal(0, 1, (4, count))
    pco2 = course.pco2[here] + np.where(venous, 0.8, 0.0) + np.array([0.10, 0.18, 0.25])[kind] * noise[0]
    bicarbonate = acute_bicarbonate(stays.bicarbonate[stay], stays.pco2_usual[stay], pco2)
    # Capillary oxygen reads about 0.5 kPa low (Zavorsky 2007, earlobe); venous oxygen says nothing about the lungs.
    po2 = np.where(venous, 4.6 + 0.7 * noise[1], course.po2[here] - 0.5 * (kind == 1) + 0.25 * noise[1])
    acidity = ph(pco2, bicarbonate) + 0.008 * noise[2]
    pco2, acidity = np.round(pco2, 2), np.round(acidity, 3)
    # An analyser computes bicarbonate from the pH and pCO2 it measured.
    computed = 0.03 * 7.50062 * pco2 * 10.0 ** (acidity - 6.1)
    blank = rng.random((4, count)) < np.array([[0.015], [0.01], [0.03], [0.25]])
    return in_columns(
        "gases",
        {
            "stay_id": stay_ids(stay),
            "taken_at": instants("taken_at", clock(stays, grid, stay, log["cell"], rng.integers(0, 10, count))),
            "sample_type": pl.Series(np.array(["arterial", "capillary", "venous"])[kind].tolist(), dtype=pl.String),
            "ph": blanked(pl.Series("ph", acidity), blank[0]),
            "pco2_kpa": blanked(pl.Series("pco2_kpa", pco2), blank[1]),
            "po2_kpa": blanked(pl.Series("po2_kpa", np.round(np.clip(po2, 2.0, 80.0), 2)), blank[2]),
            "bicarbonate_mmol_l": blanked(pl.Series("bicarbonate_mmol_l", np.round(computed, 1)), blank[0] | blank[1]),
            "fio2_fraction": blanked(pl.Series("fio2_fraction", np.round(BEST[log["setting"]], 2)), blank[3]),
        },
    )


def flags_table(rng: np.random.Generator, stays: Stays, spans: Exclusions) -> pl.DataFrame:
    """One row per flag: risks (some noted before the admission or late in it) and spans left out of the audit."""
    count = stays.count
    roll = rng.random((5, count))
    risks: dict[str, Bools] = {
        "copd": stays.at_risk & stays.has_airway_disease & (roll[0] < 0.78),
        "other_risk": stays.at_risk & ~stays.has_airway_disease & (roll[1] < 0.6),
        "previous_hypercapnia": stays.retainer & (roll[2] < HYPERCAPNIA_FLAGGED.at(stays.admitted)),
        "oxygen_alert": stays.retainer & (roll[3] < ALERT_FLAGGED.at(stays.admitted)),
        "home_ventilation": stays.retainer & (roll[4] < 0.04),
    }
    stay = np.concatenate([np.flatnonzero(flagged) for flagged in risks.values()])
    name = np.repeat(list(risks), [int(flagged.sum()) for flagged in risks.values()])
    at = _flagged_at(rng, stays, stay)
    removed = (rng.random(len(stay)) < 0.02) & (at + DAY < stays.ended[stay])
    until = np.where(removed, at + DAY, 0)
    return in_columns(
        "flags",
        {
            "stay_id": stay_ids(np.concatenate([stay, spans.stay])),
            "flagged_at": instants("flagged_at", np.concatenate([at, spans.started])),
            "flag": pl.Series(name.tolist() + spans.flag, dtype=pl.String),
            "until_at": instants(
                "until_at",
                np.concatenate([out_of_shut_hour(until), spans.ended]),
                np.concatenate([removed, spans.charted_end]),
            ),
        },
    ).sort("stay_id", "flagged_at", "flag")


def _flagged_at(rng: np.random.Generator, stays: Stays, stay: Ints) -> Ints:
    count = len(stay)
    kind = rng.random(count)
    hours_in = (rng.exponential(3.0, count) * 60).astype(np.int64) * MINUTE
    late = (rng.uniform(0.1, 0.9, count) * (stays.ended - stays.admitted)[stay]).astype(np.int64) // MINUTE * MINUTE
    days_before = rng.integers(1, 900 * 24 * 60, count) * MINUTE
    offset = np.select([kind < 0.3, kind < 0.85], [-days_before, hours_in], default=late)
    at = out_of_shut_hour(stays.admitted[stay] + offset)
    return np.where(at >= stays.ended[stay] - MINUTE, stays.admitted[stay], at)
