"""Which device record is in force when, with nebulisers lying on top of the device before them."""

import numpy as np
import polars as pl

from pipeline.policy import Policy
from pipeline.vocabulary import NEBULISER

_NOBODY = -1


def device_steps(records: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """The steps at which the device record in force changes.

    A record is in force from its start until the next one or its own end (`ended_at`; without one, the carry of the
    policy). When a nebuliser ends and no later record has started, the record before it is in force again for what
    is left of its own time. Each record or step belongs to one stay; nothing is carried to another.

    In: one row per device record with stay_no, at and ended (seconds since 1970, ended null where not charted) and
    device, no two records of a stay at the same instant.
    Out: one row per step with stay_no, at, and `record`: the row of the sorted input now in force, null for none.
    The sorted input is `records.sort("stay_no", "at")`.
    """
    ordered = records.sort("stay_no", "at")
    stay = ordered["stay_no"].to_numpy()
    start = ordered["at"].to_numpy()
    is_nebuliser = (ordered["device"] == NEBULISER).to_numpy()
    carry = np.where(is_nebuliser, policy.nebuliser_carry_minutes * 60, policy.device_carry_hours * 3600)
    end = ordered["ended"].fill_null(pl.Series(start + np.rint(carry).astype(np.int64))).to_numpy()

    number = np.arange(len(start))
    same_as_before = np.r_[False, stay[1:] == stay[:-1]] if len(stay) else np.zeros(0, dtype=bool)
    same_as_next = np.r_[same_as_before[1:], False] if len(stay) else same_as_before
    until_next = np.where(same_as_next, np.r_[start[1:], 0], np.iinfo(np.int64).max) if len(stay) else start
    underneath = _underneath(is_nebuliser, end, np.where(same_as_before, number - 1, _NOBODY))

    steps = [(stay, start, number)]
    ended, limit = number[end < until_next], until_next[end < until_next]
    while len(ended):
        # At the end of each record here, what lies underneath comes back if it has time left of its own.
        at = end[ended]
        back = underneath[ended]
        back = np.where((back != _NOBODY) & (end[back] > at), back, _NOBODY)
        steps.append((stay[ended], at, back))
        again = (back != _NOBODY) & (end[back] < limit)
        ended, limit = back[again], limit[again]

    columns = [np.concatenate(parts) for parts in zip(*steps, strict=True)]
    return (
        pl.DataFrame({"stay_no": columns[0], "at": columns[1], "record": columns[2]})
        # A zero-length record makes two steps at one instant: what it leaves behind is what holds.
        .unique(["stay_no", "at"], keep="last", maintain_order=True)
        .with_columns(pl.when(pl.col("record") != _NOBODY).then(pl.col("record")))
        .sort("stay_no", "at")
    )


def _underneath(is_nebuliser: np.ndarray, end: np.ndarray, before: np.ndarray) -> np.ndarray:
    """For each nebuliser the nearest record before it that outlasts it or is no nebuliser; nobody for the others."""
    below = np.where(is_nebuliser, before, _NOBODY)
    while True:
        spent = (below != _NOBODY) & is_nebuliser[below] & (end[below] <= end)
        if not spent.any():
            return below
        below[spent] = below[below[spent]]
