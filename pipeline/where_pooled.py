"""Where a group's observed time lies in one month, pooled over patients: each place beside all others together.

Sum first, divide last. Of each place stands how far its shares lie from those everywhere else, with an interval from
drawing patients anew, since a place that rests on a few long stays differs by chance. Places with few patients are
taken together, so that none of them can be worked back from the whole.
"""

from collections.abc import Collection, Iterable

import duckdb
import numpy as np
import polars as pl

from pipeline.events.where_it_happened import NO_DEVICE, PARTS_OF_DAY
from pipeline.month_rollup import OBSERVED_S
from pipeline.policy import Policy
from pipeline.rollup import seed_of
from pipeline.statistics import bootstrap_shares, percentile_interval
from pipeline.vocabulary import ROOM_AIR

NIGHT_PARTS = (PARTS_OF_DAY[-1], *PARTS_OF_DAY[:2])
OTHERS = "others"
# No ward is named so: an empty cell is none.
NO_WARD = ""
_SHARES = ("below", "above_on_oxygen")
_ENDS = ("", "_low", "_high")
_FIGURES = tuple(
    f"{name}{end}"
    for name in ("share_below", "share_above_on_oxygen", *(f"{s}_from_rest" for s in _SHARES))
    for end in _ENDS
)
_SECONDS = (*OBSERVED_S, "observed_s")
_COUNTS = ("patients", *(f"patients_{share}" for share in _SHARES), *_SECONDS)
_SCHEMA = pl.Schema(
    {
        "dimension": pl.String(),
        "value": pl.String(),
        "pooled": pl.List(pl.String()),
        **dict.fromkeys(_COUNTS, pl.Int64()),
        **dict.fromkeys(_FIGURES, pl.Float64()),
    }
)
# Above the band there is never on oxygen: no place to compare another with.
_NOT_ON_OXYGEN = {ROOM_AIR, NO_DEVICE}


def where_pooled(
    connection: duckdb.DuckDBPyConnection, month: str, group: str, policy: Policy, hidden_wards: Collection[str] = ()
) -> pl.DataFrame:
    """One row per dimension and value of a group (retainer / other) in a month, and one per dimension over all of it.

    dimension: those of `where_it_happened`, `night` (`night`: NIGHT_PARTS, `day`: the rest) and `ward` (NO_WARD
    before the first is known); value: null over all. hidden_wards: wards that are not shown elsewhere, and so not here.
    Columns: patients with observed time there; seconds in each observed state and `observed_s`; `patients_below` and
    `patients_above_on_oxygen`: with any such time; `share_below` and `share_above_on_oxygen` with `_low` and `_high`;
    `below_from_rest` and `above_on_oxygen_from_rest`: the share there less the share everywhere else, with `_low` and
    `_high`, null where there is no else; for a device: on all other devices that give oxygen, and null on room air and
    without one. For one patient there are no intervals.
    pooled: in the row OTHERS the values taken together in it, else null. Such are values with few patients, and
    then the next smallest, until they are two at least and have enough patients between them; when that leaves no
    value to show, only the row over all is there. Parts of the day are all shown or none: nights are made of them.
    """
    by_patient = _by_patient(connection, month, group)
    whole = _added_up(by_patient.filter(pl.col("dimension") == "day"))
    rows: list[tuple[object, ...]] = []
    for (dimension,), places in by_patient.partition_by("dimension", as_dict=True, maintain_order=True).items():
        rows += _rows_of(str(dimension), places, whole, policy.small_count_below, hidden_wards, (month, group))
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def _rows_of(
    dimension: str,
    places: pl.DataFrame,
    whole: pl.DataFrame,
    small: float,
    hidden_wards: Collection[str],
    names: tuple[str, str],
) -> list[tuple[object, ...]]:
    values = {str(value): rows for (value,), rows in places.partition_by("value", as_dict=True).items()}
    apart = set(hidden_wards) if dimension == "ward" else set()
    taken = _taken_together(values, small, apart, whole=dimension == "part_of_day")
    incomparable = _NOT_ON_OXYGEN if dimension == "device" else set()
    # The rest of a device is the time on other devices that give oxygen.
    rest = _added_up(places.filter(~pl.col("value").is_in(incomparable))) if incomparable else whole

    # The same patients are drawn for every value, so that what is said of night fits what is said of day.
    seed = seed_of("where", dimension, *names)

    def row(value: str | None, members: list[str] | None, there: pl.DataFrame) -> tuple[object, ...]:
        comparable = value is not None and not incomparable & {value, *(members or ())}
        return _row(dimension, value, members, there, rest if comparable else there, seed)

    found = [row(None, None, whole), *(row(value, None, values[value]) for value in sorted(set(values) - set(taken)))]
    if taken and len(taken) < len(values):
        found.append(row(OTHERS, taken, _added_up(pl.concat(values[value] for value in taken))))
    return found


def _by_patient(connection: duckdb.DuckDBPyConnection, month: str, group: str) -> pl.DataFrame:
    """One row per patient, dimension and value with observed time: seconds in each observed state."""
    found = connection.sql(
        f"""
        with places as (
            select
                stay_id,
                dimension,
                value,
                {", ".join(OBSERVED_S)}
            from where_it_happened
            where month = $month
            union all
            select
                stay_id,
                'night' as dimension,
                case when list_contains($night, value) then 'night' else 'day' end as value,
                {", ".join(OBSERVED_S)}
            from where_it_happened
            where
                month = $month
                and dimension = 'part_of_day'
            union all
            select
                stay_id,
                'ward' as dimension,
                coalesce(ward, $no_ward) as value,
                {", ".join(OBSERVED_S)}
            from stay_month_time
            where month = $month
        )
        select
            places.dimension,
            places.value,
            groups.patient_key,
            {", ".join(f"sum(places.{name})::bigint as {name}" for name in OBSERVED_S)}
        from places
        join stays_by_group as groups
            on groups.stay_id = places.stay_id
        where
            groups.month = $month
            and groups.retainer_group = $group
        group by
            places.dimension,
            places.value,
            groups.patient_key
        """,
        params={"month": month, "group": group, "night": list(NIGHT_PARTS), "no_ward": NO_WARD},
    ).pl()
    return (
        found.with_columns(observed_s=pl.sum_horizontal(OBSERVED_S))
        .filter(pl.col("observed_s") > 0)
        .sort("dimension", "value", "patient_key")
    )


def _added_up(places: pl.DataFrame) -> pl.DataFrame:
    return places.group_by("patient_key").agg(pl.col(_SECONDS).sum()).sort("patient_key")


def _taken_together(values: dict[str, pl.DataFrame], small: float, apart: Collection[str], whole: bool) -> list[str]:
    """The values that are not shown by themselves; all of them when too few are left, or (`whole`) when any is.

    Time adds up, so what is left of the whole tells the sum of those not shown: it has to rest on enough patients.
    """
    order = sorted(values, key=lambda value: (values[value].height, value))
    taken = [value for value in order if value in apart or values[value].height < small]
    if not taken:
        return []
    if whole:
        return sorted(values)
    others = iter([value for value in order if value not in taken])
    while len(taken) < 2 or _patients(values[value] for value in taken) < small:
        following = next(others, None)
        if following is None:
            return sorted(values)
        taken.append(following)
    return sorted(taken)


def _patients(places: Iterable[pl.DataFrame]) -> int:
    return pl.concat([place.select("patient_key") for place in places])["patient_key"].n_unique()


def _row(
    dimension: str,
    value: str | None,
    taken: list[str] | None,
    there: pl.DataFrame,
    compared: pl.DataFrame,
    seed: list[int],
) -> tuple[object, ...]:
    seconds = there.select(_SECONDS).sum().row(0)
    patients = [there.height, *(there.filter(pl.col(f"{share}_s") > 0).height for share in _SHARES)]
    return (dimension, value, taken, *patients, *seconds, *_figures(there, compared, seed))


def _figures(there: pl.DataFrame, compared: pl.DataFrame, seed: list[int]) -> list[float | None]:
    """The shares there, then how far they lie from those everywhere else, each with both ends of its interval."""
    names = [*(f"{share}_s" for share in _SHARES), "observed_s"]
    both = compared.join(there.select("patient_key", *names), on="patient_key", how="left", suffix="_there")
    own = both.select(pl.col(f"{name}_there").fill_null(0) for name in names).to_numpy()
    rest = both.select(names).to_numpy() - own
    drawn = None
    if len(own) > 1:
        drawn = bootstrap_shares(np.hstack([own, rest]), np.ones(len(own)), seed)
    totals = np.hstack([own, rest]).sum(axis=0, keepdims=True)
    found = []
    for of in (_shares_there, _from_rest):
        for point, repeats in zip(of(totals).T, (None, None) if drawn is None else of(drawn).T, strict=True):
            found += [_known(point[0]), *_interval(repeats)]
    return found


def _shares_there(sums: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return sums[:, :2] / sums[:, [2]]


def _from_rest(sums: np.ndarray) -> np.ndarray:
    return _shares_there(sums) - _shares_there(sums[:, 3:])


def _known(number: float) -> float | None:
    return float(number) if np.isfinite(number) else None


def _interval(repeats: np.ndarray | None) -> tuple[float | None, float | None]:
    """The interval of those repeats in which anybody drawn was there, and anybody elsewhere."""
    known = np.array([]) if repeats is None else repeats[np.isfinite(repeats)]
    return percentile_interval(known) if len(known) else (None, None)
