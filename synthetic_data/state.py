"""The changing state of all patients, and how it begins."""

from dataclasses import dataclass, field

import numpy as np

from synthetic_data.arrival import device_on_arrival
from synthetic_data.grid import Grid
from synthetic_data.hospital import Bools, Floats, Ints
from synthetic_data.patients import Stays

NEVER_CELL = 1 << 30


@dataclass
class Patients:
    """The changing state, one element a stay, longest stay first."""

    fixed: Stays
    offset: Ints
    first_cell: Ints
    number: Ints
    deficit: Floats
    dip: Floats
    slow: Floats
    quick: Floats
    illness: Floats
    pco2_noise: Floats
    po2: Floats
    pco2: Floats
    ratio: Floats
    fio2: Floats
    setting: Ints
    recognised: Bools
    settled: Ints
    next_look: Ints
    next_gas: Ints
    dip_at: Ints
    dip_depth: Floats
    aims_low: Bools
    log: dict[str, list[tuple[np.ndarray, ...]]] = field(
        default_factory=lambda: {"readings": [], "devices": [], "gases": []}
    )


def start(
    rng: np.random.Generator, stays: Stays, grid: Grid, order: Ints, recognised: Bools, first_gas_cell: Ints
) -> Patients:
    fixed = Stays(**{name: getattr(stays, name)[order] for name in Stays.__dataclass_fields__})
    count = stays.count
    deteriorates = rng.random(count) < 0.16
    dip_at = (rng.uniform(0.15, 0.8, count) * grid.cells[order]).astype(np.int64)
    pco2 = fixed.pco2_usual + fixed.pco2_acute
    ratio = fixed.ratio_acute
    setting = device_on_arrival(rng, fixed, recognised[order], pco2)
    return Patients(
        fixed=fixed,
        offset=grid.offset[order],
        first_cell=grid.first_cell[order],
        number=order,
        deficit=fixed.ratio_usual - ratio,
        dip=np.zeros(count),
        slow=rng.normal(0, 1, count),
        quick=rng.normal(0, 1, count),
        illness=fixed.pco2_acute.copy(),
        pco2_noise=np.zeros(count),
        po2=np.full(count, 9.0),
        pco2=pco2,
        ratio=ratio.copy(),
        fio2=np.full(count, 0.21),
        setting=setting,
        recognised=recognised[order].copy(),
        settled=np.zeros(count, dtype=np.int64),
        next_look=np.where(rng.random(count) < 0.8, 0, rng.integers(1, 15, count)),
        next_gas=first_gas_cell[order].copy(),
        dip_at=np.where(deteriorates, dip_at, NEVER_CELL),
        dip_depth=rng.uniform(0.06, 0.20, count),
        aims_low=rng.random(count) < 0.6,
    )
