"""The cohort as a whole: simulate a year of the invented hospital from one seed.

The same seed gives the same frames: every part draws from its own numbered stream.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data import bedside, charted, journey, prescribing, samples, truth
from synthetic_data.grid import Grid, make_grid, start_of_cells, stay_of_cells
from synthetic_data.hospital import MINUTE, STEP, Bools, Ints
from synthetic_data.journey import Moves
from synthetic_data.patients import draw_stays
from synthetic_data.prescribing import NEVER, target_in_force
from synthetic_data.state import NEVER_CELL

FEWEST_STAYS = 40


@dataclass(frozen=True)
class Cohort:
    """A simulated year of an invented hospital.

    `tables`: one frame for each table of the extract, in its canonical columns; times are naive UTC, whole seconds.
    `truth_band_time`: one row per stay and local month. `truth_episodes`: one row per true high-oxygen episode in a
    true retainer. `truth_states`: one row per piece of a stay, ten minutes at the most, with its true saturation and
    state. `truth_retainers`: one row per stay. All are described where they are made, in `synthetic_data.truth`.
    """

    tables: dict[str, pl.DataFrame]
    truth_band_time: pl.DataFrame
    truth_episodes: pl.DataFrame
    truth_states: pl.DataFrame
    truth_retainers: pl.DataFrame


def simulate(seed: int = 20260701, stays: int = 2500) -> Cohort:
    """Simulate July 2025 to June 2026 with exactly `stays` stays; the same seed gives the same cohort.

    Raises ValueError below `FEWEST_STAYS`: the smaller ones may lack gases or flags altogether.
    """
    if stays < FEWEST_STAYS:
        raise ValueError(f"a cohort has at least {FEWEST_STAYS} stays")
    streams = [np.random.default_rng(part) for part in np.random.SeedSequence(seed).spawn(11)]
    people = draw_stays(streams[0], stays)
    grid = make_grid(people)
    recognised = prescribing.recognised_on_admission(streams[1], people)
    enters, leaves = journey.critical_care_spells(streams[2], people)
    moves = journey.ward_moves(streams[2], people, enters, leaves)
    spans = journey.exclusions(streams[3], people, enters, leaves)
    planned = journey.planned_devices(streams[3], people, enters, leaves, spans)
    neb_stay, neb_at = journey.nebulisers(streams[4], people, recognised)
    neb_minutes = streams[4].integers(8, 21, len(neb_stay))
    first_gas = journey.first_gases(streams[5], people)
    targets = prescribing.prescribe(streams[6], people, recognised, first_gas)
    nebulising = _nebulising(grid, neb_stay, neb_at, neb_minutes)
    outside = _conditions(grid, targets, moves, nebulising)
    gas_cell = np.where(first_gas < NEVER, (first_gas - grid.first_cell) // STEP, NEVER_CELL)
    course = bedside.run(streams[7], people, grid, outside, recognised, gas_cell, planned)
    tables = {
        "stays": charted.stays_table(streams[8], people),
        "wards": charted.wards_table(moves),
        "readings": charted.readings_table(streams[8], people, grid, course, targets, outside.ward),
        "devices": charted.devices_table(streams[9], people, grid, course, neb_stay, neb_at, neb_minutes),
        "targets": charted.targets_table(targets),
        "gases": samples.gases_table(streams[10], people, grid, course),
        "flags": samples.flags_table(streams[10], people, spans),
    }
    return Cohort(
        tables,
        truth.truth_band_time(people, grid, course, targets, spans, nebulising),
        truth.truth_episodes(people, grid, course, targets, nebulising),
        truth.truth_states(people, grid, course, targets, spans, nebulising),
        truth.truth_retainers(people),
    )


def _nebulising(grid: Grid, stay: Ints, at: Ints, minutes: Ints) -> Bools:
    """True in the cell in which a nebuliser starts, and in the next one if it runs longer than a cell."""
    running = np.zeros(grid.total, dtype=bool)
    cell = (at - grid.first_cell[stay]) // STEP
    running[grid.offset[stay] + cell] = True
    longer = minutes * MINUTE > STEP
    running[(grid.offset[stay] + np.minimum(cell + 1, grid.cells[stay] - 1))[longer]] = True
    return running


def _conditions(grid: Grid, targets: prescribing.Targets, moves: Moves, nebulising: Bools) -> bedside.Conditions:
    stay, start = stay_of_cells(grid), start_of_cells(grid)
    lower, upper = target_in_force(targets, stay, start)
    keys = moves.stay * NEVER + moves.entered
    # Before the first ward is reached the habits of that ward are taken.
    ward = moves.ward[np.maximum(np.searchsorted(keys, stay * NEVER + start, side="right") - 1, 0)]
    first = np.searchsorted(moves.stay, np.arange(len(grid.cells)))
    early = start < np.repeat(moves.entered[first], grid.cells)
    return bedside.Conditions(lower, upper, np.where(early, np.repeat(moves.ward[first], grid.cells), ward), nebulising)
