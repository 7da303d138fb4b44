"""Band time pooled to every month, ward and group, with intervals from a bootstrap over patients."""

from collections.abc import Collection

import duckdb
import numpy as np
import polars as pl

from pipeline.layers import SECONDS_BITS
from pipeline.rollup import CELL, IN_MONTHS, in_every_cell, seed_of
from pipeline.statistics import bootstrap_median, bootstrap_shares, percentile_interval

OBSERVED_S = ("below_s", "within_s", "above_on_oxygen_s", "above_on_air_s", "above_device_unknown_s")
_STATES_S = (*OBSERVED_S, "unobserved_s", "no_target_s", "excluded_s", "unobserved_on_oxygen_s", "unobserved_on_air_s")
_READINGS = ("readings", "readings_below", "readings_within", "readings_above_on_oxygen")
_SHARED = ("below", "within", "above_on_oxygen")
_EPISODES = ("episodes", "episodes_above", "episodes_without_gas_in_time")


# Episodes by the month and ward in which they start, and by the patient's group in that month. An episode starts where
# the inspired fraction changes, so there conditions begin, whose number ends in that second.
EPISODES_STARTED = f"""
    select
        conditions.month,
        episodes.ward,
        stays_by_group.retainer_group as "group",
        episodes.saturation_during = 'above' as above,
        not episodes.repeat_gas_in_time as without_gas
    from high_fio2_episodes as episodes
    join conditions
        on conditions.stay_id = episodes.stay_id
        and conditions.condition_no % {2**SECONDS_BITS} = epoch_us(episodes.started_at) // 1000000
    join stays_by_group
        on stays_by_group.stay_id = conditions.stay_id and stays_by_group.month = conditions.month
"""


def month_tables(
    connection: duckdb.DuckDBPyConnection, months: Collection[str] | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows of the tables `month_summary` and `month_changes`: one per month, ward and group.

    months: only these (null: all), and of the changes those of the months after them as well, which compare with them.
    """
    needed = None if months is None else sorted({*with_following(months), *map(_month_before, months)})
    query = f"select * from stay_month_time where {IN_MONTHS}"
    rows = connection.sql(query, params={"months": needed}).pl().rename({"retainer_group": "group"})
    cells = in_every_cell(rows)
    repeats, intervals = _bootstrapped(cells)
    summary = (
        _totals(cells)
        .join(intervals, on=CELL, how="left", nulls_equal=True)
        .join(_episode_counts(connection, needed), on=CELL, how="left", nulls_equal=True)
        .with_columns(pl.col(_EPISODES).fill_null(0))
        .sort(CELL)
    )
    changes = _changes(summary, repeats)
    if months is None:
        return summary, changes
    return (
        summary.filter(pl.col("month").is_in(list(months))),
        changes.filter(pl.col("month").is_in(with_following(months))),
    )


def with_following(months: Collection[str]) -> list[str]:
    """These months and those right after them."""
    return sorted({*months, *map(_month_after, months)})


def _share(part: str, whole: pl.Expr) -> pl.Expr:
    return pl.when(whole > 0).then(pl.col(part) / whole)


def _totals(cells: pl.DataFrame) -> pl.DataFrame:
    observed = pl.sum_horizontal(OBSERVED_S)
    return (
        cells.group_by(CELL)
        .agg(
            pl.col(_STATES_S + _READINGS).sum(),
            patients=pl.col("patient_key").n_unique(),
            patients_observed=pl.col("patient_key").filter(observed > 0).n_unique(),
            stays=pl.col("stay_id").n_unique(),
        )
        .with_columns(_share(f"{state}_s", observed).alias(f"share_{state}") for state in _SHARED)
        .with_columns(
            _share(f"readings_{state}", pl.col("readings")).alias(f"reading_share_{state}") for state in _SHARED
        )
        .drop(f"readings_{state}" for state in _SHARED)
    )


def _bootstrapped(cells: pl.DataFrame) -> tuple[dict[tuple[object, ...], np.ndarray], pl.DataFrame]:
    """Bootstrap repeats of the three shares for each cell, and the intervals made of them."""
    by_patient = (
        cells.group_by(*CELL, "patient_key")
        .agg(pl.col(f"{state}_s").sum() for state in (*_SHARED, "above_on_air", "above_device_unknown"))
        .with_columns(observed=pl.sum_horizontal(OBSERVED_S))
        .filter(pl.col("observed") > 0)
        .sort(*CELL, "patient_key")
    )
    numerators = [f"{state}_s" for state in _SHARED]
    repeats, rows = {}, []
    for cell, patients in by_patient.partition_by(CELL, as_dict=True, maintain_order=True).items():
        own_shares = (patients["within_s"] / patients["observed"]).to_numpy()
        row = dict(zip(CELL, cell, strict=True))
        for name, value in zip(("median", "q1", "q3"), np.quantile(own_shares, (0.5, 0.25, 0.75)), strict=True):
            row[f"patient_share_within_{name}"] = float(value)
        # One patient drawn again and again would look certain.
        if patients.height > 1:
            shares = bootstrap_shares(
                patients.select(numerators).to_numpy(), patients["observed"].to_numpy(), seed_of("shares", *cell)
            )
            repeats[cell] = shares
            for position, state in enumerate(_SHARED):
                row |= _bounds(f"share_{state}", percentile_interval(shares[:, position]))
            row |= _bounds("patient_share_within_median", bootstrap_median(own_shares, seed_of("median", *cell)))
        rows.append(row)
    return repeats, pl.DataFrame(rows, schema=_interval_schema())


def _bounds(name: str, interval: tuple[float, float]) -> dict[str, float]:
    return {f"{name}_low": interval[0], f"{name}_high": interval[1]}


def _interval_schema() -> dict[str, type[pl.DataType]]:
    numbers = [f"share_{state}_{bound}" for state in _SHARED for bound in ("low", "high")]
    numbers += [f"patient_share_within_{name}" for name in ("median", "q1", "q3", "median_low", "median_high")]
    return dict.fromkeys(CELL, pl.String) | dict.fromkeys(numbers, pl.Float64)


def _episode_counts(connection: duckdb.DuckDBPyConnection, months: list[str] | None) -> pl.DataFrame:
    query = f"with started as ({EPISODES_STARTED}) select * from started where {IN_MONTHS}"
    episodes = connection.sql(query, params={"months": months}).pl()
    return (
        in_every_cell(episodes)
        .group_by(CELL)
        .agg(
            episodes=pl.len().cast(pl.Int64),
            episodes_above=pl.col("above").sum().cast(pl.Int64),
            episodes_without_gas_in_time=pl.col("without_gas").sum().cast(pl.Int64),
        )
    )


def _changes(summary: pl.DataFrame, repeats: dict[tuple[object, ...], np.ndarray]) -> pl.DataFrame:
    """The change of each share from the calendar month before, the two months taken as independent."""
    shares = [f"share_{state}" for state in _SHARED]
    by_cell = {row[:3]: row[3:] for row in summary.select(*CELL, *shares).iter_rows()}
    rows = []
    for (month, ward, group), now in by_cell.items():
        before = (_month_before(month), ward, group)
        if before not in by_cell:
            continue
        row = {"month": month, "ward": ward, "group": group}
        for position, share in enumerate(shares):
            then = by_cell[before][position]
            if now[position] is not None and then is not None:
                row[f"{share}_change"] = now[position] - then
        if (month, ward, group) in repeats and before in repeats:
            differences = repeats[month, ward, group] - repeats[before]
            for position, share in enumerate(shares):
                row |= _bounds(f"{share}_change", percentile_interval(differences[:, position]))
        rows.append(row)
    names = [f"{share}_change{end}" for share in shares for end in ("", "_low", "_high")]
    return pl.DataFrame(rows, schema=dict.fromkeys(CELL, pl.String) | dict.fromkeys(names, pl.Float64))


def _month_before(month: str) -> str:
    year, number = int(month[:4]), int(month[5:])
    return f"{year - 1:04d}-12" if number == 1 else f"{year:04d}-{number - 1:02d}"


def _month_after(month: str) -> str:
    year, number = int(month[:4]), int(month[5:])
    return f"{year + 1:04d}-01" if number == 12 else f"{year:04d}-{number + 1:02d}"
