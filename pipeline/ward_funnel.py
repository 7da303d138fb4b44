"""Wards against the hospital for one share in one month: how far each may lie from it by chance."""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import numpy as np

from pipeline import funnel
from pipeline.funnel import LEVELS, NO_SPREAD, Spread
from pipeline.measure_file import Measure

_POINTS_ON_A_LINE = 24


@dataclass(frozen=True)
class FunnelWard:
    """One ward: its share (fraction), what it rests on, and its limits, one pair a level of `LEVELS`.

    beyond: for each level 1 above the limits, -1 below, 0 within; of counts by the exact probability.
    """

    ward: str
    share: float
    size: int
    limits: tuple[tuple[float, float], ...]
    beyond: tuple[int, ...]


@dataclass(frozen=True)
class Funnel:
    """A hospital and its wards. size_name: what the wards rest on, `patients` or `events`.

    lines: for each level sizes, lower and upper limits, to be drawn. spread: how much wards differ beyond chance.
    """

    share: float
    size_name: str
    wards: tuple[FunnelWard, ...]
    lines: tuple[tuple[tuple[float, float, float], ...], ...]
    spread: Spread


def ward_funnel(con: duckdb.DuckDBPyConnection, measure: Measure, month: str, shown: Sequence[str]) -> Funnel | None:
    """The funnel of a share in a month; null when the hospital has no such figure or fewer than two wards are shown.

    shown: the wards that may be shown; the others count for the hospital and for nothing else. Shares of events:
    exact binomial limits by number of events. Shares of time and of readings: limits by number of patients, from how
    much they differ, since seconds and readings of one patient are no independent trials.
    """
    wards, numerator, denominator = _rows(con, measure, month)
    if not denominator.sum():
        return None
    share = float(numerator.sum() / denominator.sum())
    kept = [ward for ward in shown if (wards == ward).any()]
    if len(kept) < 2:
        return None
    of_ward = [wards == ward for ward in kept]
    shares = np.array([numerator[own].sum() / denominator[own].sum() for own in of_ward])
    if measure.of == "events":
        sizes = np.array([denominator[own].sum() for own in of_ward])
        between = funnel.proportion_spread(shares * sizes, sizes, share)
        limits = [funnel.proportion_limits(share, sizes, level, between) for level in LEVELS]
        grid = _grid(sizes)
        drawn = [funnel.proportion_limits(share, grid, level, between) for level in LEVELS]
        beyond = [
            funnel.beyond_binomial(share, np.round(shares * sizes), sizes, level)
            if between.tau2 == 0
            else _beyond(shares, limit)
            for level, limit in zip(LEVELS, limits, strict=True)
        ]
        return _funnel(share, "events", kept, shares, sizes, limits, beyond, grid, drawn, between)
    sizes = np.array([own.sum() for own in of_ward], dtype=float)
    errors = funnel.ratio_error(numerator, denominator, sizes)
    between = funnel.spread((shares - share) / errors, errors**2) if (errors > 0).all() else NO_SPREAD
    grid = _grid(sizes)
    limits, drawn = (
        [funnel.time_share_limits(numerator, denominator, each, level, between.tau2) for level in LEVELS]
        for each in (sizes, grid)
    )
    beyond = [_beyond(shares, limit) for limit in limits]
    return _funnel(share, "patients", kept, shares, sizes, limits, beyond, grid, drawn, between)


def _beyond(shares: np.ndarray, limits: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    return (shares > limits[1]).astype(int) - (shares < limits[0]).astype(int)


def _rows(con: duckdb.DuckDBPyConnection, measure: Measure, month: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ward (empty: not known yet), numerator and denominator: one row a patient and ward."""
    rows = con.execute(
        """
        select
            coalesce(ward, '') as known_ward,
            sum(numerator) as numerator,
            sum(denominator) as denominator
        from measure_rows
        where
            measure_id = ?
            and month = ?
            and denominator > 0
        group by
            known_ward,
            patient_key
        order by
            known_ward,
            patient_key
        """,
        [measure.id, month],
    ).fetchnumpy()
    return tuple(np.asarray(np.ma.getdata(column)) for column in rows.values())  # type: ignore[return-value]


def _grid(sizes: np.ndarray) -> np.ndarray:
    """Sizes at which the lines are drawn: from somewhat under the smallest ward to somewhat over the largest."""
    first, last = max(4.0, 0.7 * sizes.min()), 1.15 * sizes.max()
    return np.unique(np.round(np.geomspace(first, last, _POINTS_ON_A_LINE)))


def _funnel(
    share: float,
    size_name: str,
    names: list[str],
    shares: np.ndarray,
    sizes: np.ndarray,
    limits: list[tuple[np.ndarray, np.ndarray]],
    beyond: list[np.ndarray],
    grid: np.ndarray,
    drawn: list[tuple[np.ndarray, np.ndarray]],
    between: Spread,
) -> Funnel:
    wards = tuple(
        FunnelWard(
            name,
            float(shares[place]),
            int(sizes[place]),
            tuple((float(low[place]), float(high[place])) for low, high in limits),
            tuple(int(sides[place]) for sides in beyond),
        )
        for place, name in enumerate(names)
    )
    lines = tuple(
        tuple((float(size), float(bottom), float(top)) for size, bottom, top in zip(grid, low, high, strict=True))
        for low, high in drawn
    )
    return Funnel(share, size_name, wards, lines, between)
