"""What was written down, as the tables of the extract: readings, devices, targets, stays and ward moves.

Times are naive UTC in whole seconds. Every table has exactly the columns of the vocabulary.
"""

import numpy as np
import polars as pl

from pipeline.vocabulary import TABLES
from synthetic_data.bedside import Course
from synthetic_data.grid import Grid
from synthetic_data.hospital import (
    CRITICAL_CARE,
    MINUTE,
    SITES,
    STEP,
    WARDS,
    Bools,
    Floats,
    Ints,
    out_of_shut_hour,
)
from synthetic_data.journey import Moves
from synthetic_data.nursing import saturation_score
from synthetic_data.oxygen import AIR, IS_VENTILATION, NEBULISING, SETTINGS
from synthetic_data.patients import Stays, age_band, specialty_name
from synthetic_data.prescribing import NEVER, Targets, target_in_force


def stay_ids(stay: Ints) -> pl.Series:
    """The pseudonym of each stay."""
    return pl.Series("stay_id", [f"S{number:05d}" for number in range(1, int(stay.max(initial=0)) + 2)]).gather(stay)


def instants(name: str, seconds: Ints, known: Bools | None = None) -> pl.Series:
    """Seconds since 1970 as naive UTC times; null where not `known`."""
    series = pl.Series(name, seconds.astype(np.int64) * 1_000_000).cast(pl.Datetime("us"))
    return series if known is None else blanked(series, ~known)


def blanked(series: pl.Series, blank: Bools) -> pl.Series:
    """The series with nulls where `blank`."""
    return pl.select(pl.when(pl.lit(pl.Series(~blank))).then(pl.lit(series)).alias(series.name)).to_series()


def in_columns(table: str, columns: dict[str, pl.Series]) -> pl.DataFrame:
    """A frame with the table's columns in the vocabulary's order, sorted by stay and time."""
    frame = pl.DataFrame(columns).select(TABLES[table].column_names)
    return frame.sort("stay_id", TABLES[table].at, maintain_order=True)


def clock(stays: Stays, grid: Grid, stay: Ints, cell: Ints, minute: Ints) -> Ints:
    """The instant of something charted in a cell, kept inside the stay."""
    at = grid.first_cell[stay] + cell * STEP + minute * MINUTE
    return np.clip(at, stays.admitted[stay], stays.ended[stay] - MINUTE)


def stays_table(rng: np.random.Generator, stays: Stays) -> pl.DataFrame:
    """One row per stay."""
    keys = rng.permutation(int(stays.patient.max()) + 1)[stays.patient]
    return in_columns(
        "stays",
        {
            "stay_id": stay_ids(np.arange(stays.count)),
            "patient_key": pl.Series([f"P{key:05d}" for key in (keys + 1).tolist()]),
            "admitted_at": instants("admitted_at", stays.admitted),
            "discharged_at": instants("discharged_at", stays.ended, ~stays.is_open),
            "site": pl.Series(np.array(SITES)[np.where(stays.is_north, 0, 1)].tolist()),
            "specialty": pl.Series(specialty_name(stays.specialty)),
            "age_band": pl.Series(age_band(stays.age)),
            "sex": pl.Series(np.where(stays.is_female, "female", "male").tolist()),
        },
    )


def wards_table(moves: Moves) -> pl.DataFrame:
    """One row per ward entered."""
    return in_columns(
        "wards",
        {
            "stay_id": stay_ids(moves.stay),
            "ward": pl.Series(np.array(WARDS)[moves.ward].tolist()),
            "entered_at": instants("entered_at", moves.entered),
        },
    )


def targets_table(targets: Targets) -> pl.DataFrame:
    """One row per prescription."""
    return in_columns(
        "targets",
        {
            "stay_id": stay_ids(targets.stay),
            "prescribed_at": instants("prescribed_at", targets.prescribed),
            "lower_percent": pl.Series(targets.lower),
            "upper_percent": pl.Series(targets.upper),
            "stopped_at": instants("stopped_at", targets.stopped % NEVER, targets.stopped < NEVER),
        },
    )


def readings_table(
    rng: np.random.Generator, stays: Stays, grid: Grid, course: Course, targets: Targets, ward: Ints
) -> pl.DataFrame:
    """One row per reading: rounded saturation, respiratory rate (sometimes blank), score as charted (some wrong)."""
    log = course.readings
    stay, count = log["stay"], len(log["stay"])
    at = clock(stays, grid, stay, log["cell"], log["minute"])
    monitored = (ward[grid.offset[stay] + log["cell"]] == CRITICAL_CARE) | IS_VENTILATION[log["setting"]]
    seconds = np.where(monitored & (at > stays.admitted[stay]), 10 * rng.integers(0, 6, count), 0)
    at = np.where(at >= stays.ended[stay] - MINUTE, at, at + seconds)
    roll = rng.random((5, count))
    upper = target_in_force(targets, stay, at)[1]
    scale_two = np.where((upper > 0) & (upper <= 92), roll[0] < 0.86, roll[0] < 0.01)
    score = saturation_score(log["spo2"], log["setting"] != AIR, scale_two)
    score = np.where(roll[1] < 0.015, (score + 1) % 4, score)
    return in_columns(
        "readings",
        {
            "stay_id": stay_ids(stay),
            "taken_at": instants("taken_at", at),
            "spo2_percent": pl.Series(log["spo2"].astype(np.int64)),
            "respiratory_rate": blanked(
                pl.Series("respiratory_rate", log["respiratory_rate"].astype(np.int64)), roll[2] < 0.04
            ),
            "ews_scale": blanked(pl.Series("ews_scale", np.where(scale_two, 2, 1)), roll[3] < 0.03),
            "spo2_score": blanked(pl.Series("spo2_score", score), roll[4] < 0.05),
            "source": pl.Series(np.where(monitored, "monitor", "spot").tolist()),
        },
    )


def devices_table(
    rng: np.random.Generator, stays: Stays, grid: Grid, course: Course, neb_stay: Ints, neb_at: Ints, neb_minutes: Ints
) -> pl.DataFrame:
    """One row per device record; ends are mostly left out, and a few removals are charted only as an end."""
    log = course.devices
    written = np.flatnonzero(rng.random(len(neb_stay)) < 0.85)
    stay = np.concatenate([log["stay"], neb_stay[written]])
    at = np.concatenate([clock(stays, grid, log["stay"], log["cell"], log["minute"]), neb_at[written]])
    setting = np.concatenate([log["setting"], np.full(len(written), NEBULISING)])
    changed = np.concatenate([log["changed"], np.zeros(len(written), dtype=bool)])
    own_end = np.concatenate([np.full(len(log["stay"]), NEVER), (neb_at + neb_minutes * MINUTE)[written]])
    sorting = np.lexsort((setting, at, stay))
    last_of_instant = np.append(np.diff(stay[sorting] * NEVER + at[sorting]) != 0, True)
    kept = sorting[last_of_instant]
    stay, at, setting, changed, own_end = stay[kept], at[kept], setting[kept], changed[kept], own_end[kept]
    neb_end = np.where(rng.random(len(stay)) < 0.8, out_of_shut_hour(own_end), NEVER)
    ended, gone = _charted_ends(rng, stay, at, setting, changed, neb_end)
    ended = np.where(ended > stays.ended[stay], NEVER, ended)
    return _device_frame(rng, stay[~gone], at[~gone], setting[~gone], ended[~gone])


def _charted_ends(
    rng: np.random.Generator, stay: Ints, at: Ints, setting: Ints, changed: Bools, own_end: Ints
) -> tuple[Ints, Bools]:
    """End of each record, and which records are gone because only the end of the one before was written down."""
    ended = np.where(setting == NEBULISING, own_end, NEVER)
    follows = np.append(False, stay[1:] == stay[:-1])
    before = np.maximum(np.arange(len(stay)) - 1, 0)
    replaces = follows & changed & (setting[before] != NEBULISING) & (setting[before] != AIR)
    roll = rng.random(len(stay))
    only_end = replaces & (setting == AIR) & (roll < 0.10)
    both = replaces & ~only_end & (roll < 0.25)
    ends_one = np.flatnonzero(only_end | both)
    ended[before[ends_one]] = at[ends_one]
    return ended, only_end


def _device_frame(rng: np.random.Generator, stay: Ints, at: Ints, setting: Ints, ended: Ints) -> pl.DataFrame:
    flows: Floats = np.array([np.nan if s.flow_l_min is None else s.flow_l_min for s in SETTINGS])
    fractions: Floats = np.array([np.nan if s.fio2_fraction is None else s.fio2_fraction for s in SETTINGS])
    names = np.array([s.device for s in SETTINGS])[setting]
    roll = rng.random((3, len(stay)))
    flow = np.where(roll[0] < 0.015, np.nan, flows[setting])
    fraction = np.where(roll[1] < np.where(IS_VENTILATION[setting], 0.12, 0.02), np.nan, fractions[setting])
    # A cannula left on the face at flow 0 is another way of writing "on air".
    off = (setting == AIR) & (roll[2] < 0.012)
    flow = np.where(off, 0.0, flow)
    return in_columns(
        "devices",
        {
            "stay_id": stay_ids(stay),
            "started_at": instants("started_at", at),
            "device": pl.Series(np.where(off, "nasal_cannula", names).tolist()),
            "flow_l_min": pl.Series(flow).fill_nan(None),
            "fio2_fraction": pl.Series(fraction).fill_nan(None),
            "ended_at": instants("ended_at", ended % NEVER, ended < NEVER),
        },
    )
