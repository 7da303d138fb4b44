"""What a declared change was followed by: every figure before and after it, read from the measured rows of a store."""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import numpy as np

from pipeline.before_after import (
    Difference,
    Interrupted,
    enough_months,
    interrupted_time_series,
    of_medians,
    of_proportions,
    of_shares,
)
from pipeline.declared_changes import DeclaredChange
from pipeline.measure_file import Measure
from pipeline.rollup import seed_of

_DAYS_A_RATE_IS_PER = 100


@dataclass(frozen=True)
class Effect:
    """One figure before and after one change.

    before, after: the whole months compared, oldest first. difference: null when one side has no month; fractions for
    shares, the unit of the measure otherwise. interrupted: null while there are too few months.
    """

    change: DeclaredChange
    before: tuple[str, ...]
    after: tuple[str, ...]
    difference: Difference | None
    interrupted: Interrupted | None


def months_around(
    change: DeclaredChange, among: Sequence[DeclaredChange], months: Sequence[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The whole months before and after a change, each side as far as the change next to it.

    among: all changes that reach the same patients. A month in which a change was made on the way is in neither.
    """
    whole = [month for month in months if not any(other.month == month < other.first_whole_month for other in among)]
    first, last = change.month, change.first_whole_month
    earlier = max((other.first_whole_month for other in among if other.first_whole_month < last), default="")
    later = min((other.month for other in among if other.first_whole_month > last), default="9999-12")
    return (
        tuple(month for month in whole if earlier <= month < first),
        tuple(month for month in whole if last <= month < later),
    )


def effect(
    con: duckdb.DuckDBPyConnection,
    measure: Measure,
    change: DeclaredChange,
    among: Sequence[DeclaredChange],
    shown: dict[str, float],
    ward: str | None = None,
    group: str | None = None,
) -> Effect:
    """The figure of a measure before and after a change, in a ward (null: all) and a group (null: all).

    shown: the result of each month that may be shown; no other month is used, so that pooled months give none away.
    """
    before, after = months_around(change, among, sorted(shown))
    if not before or not after:
        return Effect(change, before, after, None, None)
    seed = seed_of("change", measure.id, change.date, ward, group)
    if measure.kind == "median":
        difference = _of_medians(con, measure, before, after, ward, group, seed)
    else:
        sums = _patient_sums(con, measure, before, after, ward, group)
        difference = _of_sums(measure, sums, seed)
    return Effect(change, before, after, difference, _interrupted(before, after, shown))


def _patient_sums(
    con: duckdb.DuckDBPyConnection,
    measure: Measure,
    before: Sequence[str],
    after: Sequence[str],
    ward: str | None,
    group: str | None,
) -> np.ndarray:
    """Four rows, a column a patient: numerator before and after, denominator before and after."""
    rows = con.execute(
        """
        select
            sum(numerator) filter (where list_contains($before, month)),
            sum(numerator) filter (where list_contains($after, month)),
            sum(denominator) filter (where list_contains($before, month)),
            sum(denominator) filter (where list_contains($after, month))
        from measure_rows
        where
            measure_id = $measure
            and denominator > 0
            and ($ward is null or ward = $ward)
            and ($group is null or "group" = $group)
            and list_contains($before || $after, month)
        group by patient_key
        order by patient_key
        """,
        {"measure": measure.id, "before": list(before), "after": list(after), "ward": ward, "group": group},
    ).fetchnumpy()
    # A patient who was not there on one side has no time and no events on it.
    return np.array([np.ma.filled(column.astype(float), 0.0) for column in rows.values()])


def _of_sums(measure: Measure, sums: np.ndarray, seed: list[int]) -> Difference:
    numerators, denominators = sums[:2].T, sums[2:].T
    if measure.kind == "share" and measure.of == "events":
        return of_proportions(numerators, denominators)
    return of_shares(numerators * (_DAYS_A_RATE_IS_PER if measure.kind == "rate" else 1), denominators, seed)


def _of_medians(
    con: duckdb.DuckDBPyConnection,
    measure: Measure,
    before: Sequence[str],
    after: Sequence[str],
    ward: str | None,
    group: str | None,
    seed: list[int],
) -> Difference:
    rows = con.execute(
        """
        select
            value,
            coalesce(censored, false) as censored,
            list_contains($after, month) as after,
            dense_rank() over (order by patient_key) - 1 as patient
        from measure_rows
        where
            measure_id = $measure
            and value is not null
            and ($ward is null or ward = $ward)
            and ($group is null or "group" = $group)
            and list_contains($before || $after, month)
        order by
            patient,
            month,
            value
        """,
        {"measure": measure.id, "before": list(before), "after": list(after), "ward": ward, "group": group},
    ).fetchnumpy()
    value, censored, is_after, patient = (np.ma.getdata(column) for column in rows.values())
    return of_medians(value, censored.astype(bool), is_after.astype(bool), patient.astype(np.int64), seed)


def _interrupted(before: Sequence[str], after: Sequence[str], shown: dict[str, float]) -> Interrupted | None:
    if not enough_months(len(before), len(after)):
        return None
    months = (*before, *after)
    places = np.array([12.0 * int(month[:4]) + int(month[5:7]) for month in months])
    values = np.array([shown[month] for month in months])
    if np.ptp(values) == 0:
        return None
    first_after = 12.0 * int(after[0][:4]) + int(after[0][5:7])
    return interrupted_time_series(values, places, first_after)
