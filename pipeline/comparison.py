"""The differences between two months, wards, sites or hospitals, read from the measured rows of their stores.

Both sides are pooled by the same definitions, each for itself: sum first, divide last. Patients of different stores are
never taken for the same person, and stays of different stores are never pooled.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from pipeline.before_after import Difference, of_medians, of_proportions, of_shares
from pipeline.measure import insert
from pipeline.measure_file import Measure
from pipeline.month_rollup import month_tables
from pipeline.rollup import measure_summary, seed_of
from pipeline.store import create_tables

_DAYS_A_RATE_IS_PER = 100
_PERSON = ("store", "patient_key")
# Each figure of band time as a part of a whole, both of them columns of `SideRows.band`.
BAND_FIGURES = {
    "below": ("below_s", "observed_s"),
    "within": ("within_s", "observed_s"),
    "above_on_oxygen": ("above_on_oxygen_s", "observed_s"),
    "unobserved": ("unobserved_s", "under_target_s"),
    "no_target": ("no_target_s", "audited_s"),
    "readings_a_day": ("readings", "under_target_days"),
}


@dataclass(frozen=True)
class Side:
    """What one side is made of: a month of a measured store, whole or one ward of it (null: all wards).

    store: a name that tells the stores of a comparison apart.
    """

    store: str
    con: duckdb.DuckDBPyConnection
    month: str
    ward: str | None = None


@dataclass(frozen=True)
class SideRows:
    """The rows of one side, patient by patient; `store` and `patient_key` stand for a person.

    band: one row per patient and group, seconds (and readings) of each state. sums: one row per measure and patient,
    numerator and denominator. values: one row per event of a measure that is a median.
    """

    band: pl.DataFrame
    sums: pl.DataFrame
    values: pl.DataFrame


def read_rows(side: Side) -> SideRows:
    """Reads the rows of one side, in one order whatever the store's own."""
    return SideRows(*(_read(side, query) for query in (_BAND, _SUMS, _VALUES)))


_BAND = """
    with patients as (
        select
            patient_key,
            retainer_group as "group",
            sum(below_s) as below_s,
            sum(within_s) as within_s,
            sum(above_on_oxygen_s) as above_on_oxygen_s,
            sum(below_s + within_s + above_on_oxygen_s + above_on_air_s + above_device_unknown_s) as observed_s,
            sum(unobserved_s) as unobserved_s,
            sum(no_target_s) as no_target_s,
            sum(readings) as readings
        from stay_month_time
        where
            month = $month
            and ($ward is null or ward = $ward)
        group by
            patient_key,
            retainer_group
    )
    select
        patient_key,
        "group",
        below_s,
        within_s,
        above_on_oxygen_s,
        observed_s,
        unobserved_s,
        no_target_s,
        readings,
        observed_s + unobserved_s as under_target_s,
        (observed_s + unobserved_s) / 86400 as under_target_days,
        observed_s + unobserved_s + no_target_s as audited_s
    from patients
    order by
        patient_key,
        "group"
"""
_SUMS = """
    select
        measure_id,
        patient_key,
        sum(numerator) as numerator,
        sum(denominator) as denominator
    from measure_rows
    where
        month = $month
        and ($ward is null or ward = $ward)
        and denominator > 0
    group by
        measure_id,
        patient_key
    order by
        measure_id,
        patient_key
"""
_VALUES = """
    select
        measure_id,
        patient_key,
        value,
        coalesce(censored, false) as censored
    from measure_rows
    where
        month = $month
        and ($ward is null or ward = $ward)
        and value is not null
    order by
        measure_id,
        patient_key,
        value,
        censored
"""


def _read(side: Side, query: str) -> pl.DataFrame:
    rows = side.con.sql(query, params={"month": side.month, "ward": side.ward}).pl()
    return rows.with_columns(store=pl.lit(side.store))


def band_differences(first: SideRows, second: SideRows, group: str | None) -> dict[str, Difference]:
    """The difference (second - first) of every figure of `BAND_FIGURES`, for a group of patients (null: all).

    Shares as fractions; `readings_a_day` are readings for each 24 hours under a target.
    """
    sides = [rows.band if group is None else rows.band.filter(pl.col("group") == group) for rows in (first, second)]
    return {
        name: of_shares(*_aligned(sides[0], sides[1], part, whole), _seed(group))
        for name, (part, whole) in BAND_FIGURES.items()
    }


def measure_difference(measure: Measure, first: SideRows, second: SideRows) -> Difference:
    """The difference (second - first) of one measure over all patients; nan where one side has no figure.

    Fractions for shares, events for each 100 patient-days for rates, the unit of the measure for medians. Intervals:
    shares of events by Newcombe on effective numbers, in which a patient on both sides counts for two; all others by a
    bootstrap over patients, in which a patient on both sides is drawn with both.
    """
    of_measure = pl.col("measure_id") == measure.id
    if measure.kind == "median":
        return _of_medians(first.values.filter(of_measure), second.values.filter(of_measure))
    sides = [rows.sums.filter(of_measure) for rows in (first, second)]
    parts, wholes = _aligned(sides[0], sides[1], "numerator", "denominator")
    if measure.kind == "share" and measure.of == "events":
        return of_proportions(parts, wholes)
    return of_shares(parts * (_DAYS_A_RATE_IS_PER if measure.kind == "rate" else 1), wholes, _seed(None))


def _seed(group: str | None) -> list[int]:
    # The same whichever side comes first, so that swapping them changes nothing but the sign.
    return seed_of("comparison", group)


def _aligned(first: pl.DataFrame, second: pl.DataFrame, part: str, whole: str) -> tuple[np.ndarray, np.ndarray]:
    """Parts and wholes, one row a person, columns first and second; 0 where the person is not on that side."""
    sides = [
        frame.group_by(_PERSON)
        .agg(part=pl.col(part).sum().cast(pl.Float64), whole=pl.col(whole).sum().cast(pl.Float64))
        .filter(pl.col("whole") > 0)
        for frame in (first, second)
    ]
    both = sides[0].join(sides[1], on=_PERSON, how="full", coalesce=True).sort(_PERSON).fill_null(0.0)
    return both.select("part", "part_right").to_numpy(), both.select("whole", "whole_right").to_numpy()


def _of_medians(first: pl.DataFrame, second: pl.DataFrame) -> Difference:
    rows = pl.concat([first.with_columns(after=False), second.with_columns(after=True)])
    person = pl.struct(_PERSON).rank("dense").cast(pl.Int64) - 1
    value, censored, after, patient = (
        column.to_numpy() for column in rows.select("value", "censored", "after", person=person)
    )
    return of_medians(value, censored, after, patient, _seed(None))


def by_site(con: duckdb.DuckDBPyConnection, month: str, measures: Sequence[Measure]) -> duckdb.DuckDBPyConnection:
    """A measured store in memory, of one month, in which the site of each stay stands for the ward.

    con: a measured store; it is only read. Filled are `stay_month_time`, `measure_rows` and their summaries; stays
    without a site count for the whole only. The caller closes it.
    """
    sites = duckdb.connect()
    create_tables(sites)
    for table in ("stay_month_time", "measure_rows"):
        rows = con.sql(
            f"""
            select {table}.* replace (stays.site as ward)
            from {table}
            join stays on stays.stay_id = {table}.stay_id
            where {table}.month = $month
            """,
            params={"month": month},
        ).pl()
        insert(sites, table, rows)
    insert(sites, "measure_summary", measure_summary(sites, measures))
    insert(sites, "month_summary", month_tables(sites)[0])
    return sites
