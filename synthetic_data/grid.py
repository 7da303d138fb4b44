"""The fine grid the simulation runs on: ten-minute cells on the clock, the first and last cut by the stay's ends."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.hospital import STEP, Ints
from synthetic_data.patients import Stays


@dataclass(frozen=True)
class Grid:
    """One element a stay. `first_cell` is the start of the first cell (at or before admission), `cells` how many
    there are, `offset` where the stay begins in an array of all cells, stay after stay."""

    first_cell: Ints
    cells: Ints
    offset: Ints

    @property
    def total(self) -> int:
        return int(self.cells.sum())


def make_grid(stays: Stays) -> Grid:
    """Lay the grid over all stays; every local month begins at the edge of a cell."""
    first_cell = stays.admitted // STEP * STEP
    cells = -((first_cell - stays.ended) // STEP)
    return Grid(first_cell, cells, np.cumsum(cells) - cells)


def stay_of_cells(grid: Grid) -> Ints:
    """The stay each cell belongs to."""
    return np.repeat(np.arange(len(grid.cells)), grid.cells)


def start_of_cells(grid: Grid) -> Ints:
    """When each cell begins on the clock (the first one of a stay may begin before admission)."""
    position = np.arange(grid.total) - np.repeat(grid.offset, grid.cells)
    return np.repeat(grid.first_cell, grid.cells) + position * STEP
