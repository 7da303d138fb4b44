"""The planted truth: what really happened, from the fine grid, whatever was charted.

It is judged on the true saturation and the true inspired fraction rounded to whole per cents, as the limits are whole
per cents.
"""

import numpy as np
import polars as pl

from synthetic_data.bedside import Course
from synthetic_data.charted import instants, stay_ids
from synthetic_data.grid import Grid, start_of_cells, stay_of_cells
from synthetic_data.hospital import MINUTE, MONTHS, PERIOD_START, STEP, Bools, Floats, Ints, month_index
from synthetic_data.journey import Exclusions
from synthetic_data.oxygen import AIR, IS_HIGH
from synthetic_data.patients import Stays
from synthetic_data.physiology import saturation_percent
from synthetic_data.prescribing import NEVER, Targets, target_in_force

STATES = ("below_s", "within_s", "above_on_oxygen_s", "above_on_air_s", "no_target_s", "excluded_s")
TRUE_STATES = tuple(name.removesuffix("_s") for name in STATES)
HIGH_ABOVE_PERCENT = 28
JOIN = 30 * MINUTE
SHORTEST = 30 * MINUTE


def truth_band_time(
    stays: Stays, grid: Grid, course: Course, targets: Targets, spans: Exclusions, nebulising: Bools
) -> pl.DataFrame:
    """One row per stay and local month: true seconds in each state, which add up to the stay's time in the month.

    `excluded_s` goes before all others (critical care, theatre and the like), then `no_target_s`; the rest is under
    the target in force: `below_s`, `within_s`, `above_on_oxygen_s`, `above_on_air_s`.
    """
    stay, start, seconds, _, state = _judged(stays, grid, course, targets, spans, nebulising)
    group = stay * len(MONTHS) + month_index(start)
    groups = int(group[-1]) + 1
    totals = np.bincount(group * len(STATES) + state, weights=seconds, minlength=groups * len(STATES))
    totals = totals.reshape(groups, len(STATES)).astype(np.int64)
    there = np.flatnonzero(totals.sum(axis=1))
    columns = {name: pl.Series(totals[there, place]) for place, name in enumerate(STATES)}
    months = np.array(MONTHS)[there % len(MONTHS)].tolist()
    return pl.DataFrame({"stay_id": stay_ids(there // len(MONTHS)), "month": pl.Series(months), **columns})


def truth_states(
    stays: Stays, grid: Grid, course: Course, targets: Targets, spans: Exclusions, nebulising: Bools
) -> pl.DataFrame:
    """One row per piece of a stay, ten minutes at the most: the true saturation and the state it puts the piece in.

    `started_at` is included; the piece lasts `seconds`. The pieces of a stay touch and add up to it. `spo2_percent` is
    rounded to a whole per cent; `state` is one of TRUE_STATES, as in `truth_band_time`, which adds them up.
    """
    stay, start, seconds, saturation, state = _judged(stays, grid, course, targets, spans, nebulising)
    return pl.DataFrame(
        {
            "stay_id": stay_ids(stay),
            "started_at": instants("started_at", start),
            "seconds": pl.Series(seconds.astype(np.int32)),
            "spo2_percent": pl.Series(saturation.astype(np.int8)),
            "state": pl.Series(TRUE_STATES, dtype=pl.Enum(TRUE_STATES)).gather(state),
        }
    )


def truth_retainers(stays: Stays) -> pl.DataFrame:
    """One row per stay: whether the patient truly retains CO2, charted or not."""
    return pl.DataFrame({"stay_id": stay_ids(np.arange(stays.count)), "retains": pl.Series(stays.retainer)})


def _judged(
    stays: Stays, grid: Grid, course: Course, targets: Targets, spans: Exclusions, nebulising: Bools
) -> tuple[Ints, Ints, Ints, Floats, Ints]:
    """Stay, start, length, true saturation and state (its place in STATES) of every piece."""
    stay, start, seconds = _pieces(stays, grid, targets, spans)
    cell = grid.offset[stay] + (start - grid.first_cell[stay]) // STEP
    lower, upper = target_in_force(targets, stay, start)
    saturation = np.rint(saturation_percent(course.po2))[cell]
    on_oxygen = (course.setting != AIR)[cell] | nebulising[cell]
    state = np.select(
        [_is_excluded(stays, spans, stay, start), lower == 0, saturation < lower, saturation <= upper, on_oxygen],
        [5, 4, 0, 1, 2],
        default=3,
    )
    return stay, start, seconds, saturation, state


def _pieces(stays: Stays, grid: Grid, targets: Targets, spans: Exclusions) -> tuple[Ints, Ints, Ints]:
    """Stay, start and length of every piece: the cells, cut further where a target or an exclusion begins or ends."""
    cell_stay = stay_of_cells(grid)
    cell_start = np.maximum(start_of_cells(grid), stays.admitted[cell_stay])
    stay = np.concatenate([cell_stay, targets.stay, targets.stay, spans.stay, spans.stay])
    start = np.concatenate([cell_start, targets.prescribed, targets.stopped, spans.started, spans.ended])
    inside = (start >= stays.admitted[stay]) & (start < stays.ended[stay])
    key = np.unique(stay[inside] * NEVER + start[inside])
    stay, start = key // NEVER, key % NEVER
    following = np.append(np.where(stay[1:] == stay[:-1], start[1:], NEVER), NEVER)
    return stay, start, np.minimum(following, stays.ended[stay]) - start


def _is_excluded(stays: Stays, spans: Exclusions, stay: Ints, start: Ints) -> Bools:
    """True where more exclusions have begun than ended."""
    begun = np.searchsorted(np.sort(spans.stay * NEVER + spans.started), stay * NEVER + start, side="right")
    over = np.searchsorted(np.sort(spans.stay * NEVER + spans.ended), stay * NEVER + start, side="right")
    return begun > over


def truth_episodes(stays: Stays, grid: Grid, course: Course, targets: Targets, nebulising: Bools) -> pl.DataFrame:
    """One row per stretch of true inspired fraction above 28 % in a patient who truly retains CO2.

    Stretches up to 30 min apart are one; those with less than 30 min of high time are left out. `started_at` is
    included, `ended_at` not. `high_s`: seconds above 28 %, gaps left out; `device_high_s`: those of them in which the
    device, whoever breathes through it, is held to give more than 28 % (a cannula at 2 L/min is not, though some
    patients get more from it); `truly_above`: the true saturation, rounded,
    was above the target in force at some time of the high stretch (null: no target in it); `peak_fio2`,
    `peak_pco2_kpa`: the highest true values in it.
    """
    stay_of = stay_of_cells(grid)
    high = np.flatnonzero((np.rint(100.0 * course.fio2) > HIGH_ABOVE_PERCENT) & stays.retainer[stay_of])
    stay = stay_of[high]
    clock = start_of_cells(grid)[high]
    start, end = np.maximum(clock, stays.admitted[stay]), np.minimum(clock + STEP, stays.ended[stay])
    begins = np.append(True, (stay[1:] != stay[:-1]) | (start[1:] - end[:-1] > JOIN))[: len(high)]
    first = np.flatnonzero(begins)
    seconds = _over(np.add, (end - start).astype(float), first)
    by_device = IS_HIGH[course.setting[high]] | nebulising[high]
    lower, upper = target_in_force(targets, stay, start)
    above = (lower > 0) & (np.rint(saturation_percent(course.po2[high])) > upper)
    has_target = _over(np.maximum, (lower > 0).astype(float), first) > 0
    truly = pl.Series("truly_above", _over(np.maximum, above.astype(float), first) > 0)
    frame = pl.DataFrame(
        {
            "stay_id": stay_ids(stay[first]) if len(first) else pl.Series([], dtype=pl.String),
            "started_at": instants("started_at", start[first]),
            "ended_at": instants("ended_at", end[np.append(first[1:] - 1, len(high) - 1)[: len(first)]]),
            "high_s": pl.Series(seconds.astype(np.int64)),
            "device_high_s": pl.Series(_over(np.add, (end - start) * by_device.astype(float), first).astype(np.int64)),
            "truly_above": truly,
            "peak_fio2": pl.Series(np.round(_over(np.maximum, course.fio2[high], first), 3)),
            "peak_pco2_kpa": pl.Series(np.round(_over(np.maximum, course.pco2[high], first), 2)),
            "has_target": pl.Series(has_target),
        }
    )
    frame = frame.with_columns(truly_above=pl.when("has_target").then("truly_above")).drop("has_target")
    return frame.filter(pl.col("high_s") >= SHORTEST)


def _over(function: np.ufunc, values: Floats, first: Ints) -> Floats:
    """The function over each stretch, a stretch beginning at each `first`."""
    return function.reduceat(values, first) if len(first) else np.zeros(0)


assert PERIOD_START % STEP == 0, "months begin at the edge of a cell"
