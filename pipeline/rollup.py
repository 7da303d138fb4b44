"""Pools measure rows to every month, ward and group: sum first, divide last. And hides small counts.

A row whose `ward` is null is over all wards (time before the first ward is known counts there only); a row whose
`group` is null is over all patients. Groups: `retainer` when a stay of the patient with time in that month has
evidence of CO2 retention, else `other`.
"""

from collections.abc import Iterable
from zlib import crc32

import duckdb
import numpy as np
import polars as pl

from pipeline.measure_file import Measure
from pipeline.policy import Policy
from pipeline.statistics import (
    bootstrap_shares,
    median_with_censoring,
    percentile_interval,
    poisson_rate,
    wilson,
)

CELL = ("month", "ward", "group")
_SEED = 20260701
_DAYS_A_RATE_IS_PER = 100


def in_every_cell(rows: pl.DataFrame) -> pl.DataFrame:
    """Repeats each row for the cells it counts in: its ward and all wards, its group and all groups.

    In and out: one row per anything with month, ward and group; a row without a ward counts under all wards only.
    """
    nothing = pl.lit(None, dtype=pl.String)
    in_ward = rows.filter(pl.col("ward").is_not_null())
    both = pl.concat([in_ward, rows.with_columns(ward=nothing)])
    return pl.concat([both, both.with_columns(group=nothing)])


def seed_of(*names: object) -> list[int]:
    """The bootstrap seed of one cell: its own, so that its interval does not depend on which other cells exist."""
    return [_SEED, crc32("|".join(map(str, names)).encode())]


def measure_summary(connection: duckdb.DuckDBPyConnection, measures: Iterable[Measure]) -> pl.DataFrame:
    """One row per measure, month, ward and group with the columns of the table `measure_summary`.

    share and rate: result = sum of numerators / sum of denominators (a rate per 100 patient-days); null without any
    eligible time or event. median: with censoring. Intervals: shares of events by Wilson, other shares by bootstrap
    over patients, rates exact for a Poisson count, medians by Kaplan-Meier.
    """
    kinds = {"share": _share_cells, "rate": _rate_cells, "median": _median_cells}
    parts = []
    for measure in measures:
        rows = connection.sql("select * from measure_rows where measure_id = $id", params={"id": measure.id}).pl()
        parts.append(kinds[measure.kind](measure, in_every_cell(rows)).with_columns(measure_id=pl.lit(measure.id)))
    return pl.concat(parts, how="diagonal_relaxed").sort("measure_id", *CELL)


def _pooled(cells: pl.DataFrame) -> pl.DataFrame:
    eligible = cells.filter(pl.col("denominator") > 0)
    return (
        eligible.group_by(CELL)
        .agg(
            patients=pl.col("patient_key").n_unique(),
            events=pl.col("denominator").sum(),
            numerator=pl.col("numerator").sum(),
            denominator=pl.col("denominator").sum(),
        )
        .with_columns(result=pl.col("numerator") / pl.col("denominator"), events=pl.col("events").cast(pl.Int64))
        .sort(CELL)
    )


def _share_cells(measure: Measure, cells: pl.DataFrame) -> pl.DataFrame:
    pooled = _pooled(cells)
    if measure.of == "events":
        low, high = wilson(pooled["numerator"].to_numpy(), pooled["denominator"].to_numpy())
        return pooled.with_columns(low=pl.Series(low), high=pl.Series(high))
    by_patient = (
        cells.filter(pl.col("denominator") > 0)
        .group_by(*CELL, "patient_key")
        .agg(pl.col("numerator", "denominator").sum())
        .sort(*CELL, "patient_key")
    )
    intervals = [
        (*cell, *_bootstrap_interval(rows, seed_of(measure.id, *cell)))
        for cell, rows in by_patient.partition_by(CELL, as_dict=True, maintain_order=True).items()
    ]
    columns = dict.fromkeys(CELL, pl.String) | {"low": pl.Float64, "high": pl.Float64}
    frame = pl.DataFrame(intervals, schema=columns, orient="row")
    return pooled.join(frame, on=CELL, how="left", nulls_equal=True)


def _bootstrap_interval(rows: pl.DataFrame, seed: list[int]) -> tuple[float | None, float | None]:
    if rows.height < 2:
        return None, None
    repeats = bootstrap_shares(rows.select("numerator").to_numpy(), rows["denominator"].to_numpy(), seed)
    return percentile_interval(repeats[:, 0])


def _rate_cells(measure: Measure, cells: pl.DataFrame) -> pl.DataFrame:
    pooled = _pooled(cells)
    low, high = poisson_rate(pooled["numerator"].to_numpy(), pooled["denominator"].to_numpy())
    per = _DAYS_A_RATE_IS_PER
    return pooled.with_columns(
        events=pl.col("numerator").cast(pl.Int64),
        result=pl.col("result") * per,
        low=pl.Series(low) * per,
        high=pl.Series(high) * per,
    )


def _median_cells(measure: Measure, cells: pl.DataFrame) -> pl.DataFrame:
    known = cells.filter(pl.col("value").is_not_null()).with_columns(pl.col("censored").fill_null(False))
    rows = []
    for cell, values in known.partition_by(CELL, as_dict=True).items():
        result = median_with_censoring(values["value"].to_numpy(), values["censored"].to_numpy())
        # The words "not reached" are for people; in a table it is null.
        shown = [None if np.isnan(number) else number for number in result]
        rows.append((*cell, values["patient_key"].n_unique(), values.height, *shown))
    columns = dict.fromkeys(CELL, pl.String) | {
        "patients": pl.Int64,
        "events": pl.Int64,
        "result": pl.Float64,
        "low": pl.Float64,
        "high": pl.Float64,
    }
    return pl.DataFrame(rows, schema=columns, orient="row")


def suppress_small_counts(summary: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Hides every row with few patients, and enough others that none can be worked back from the totals.

    In: one row per month, ward and group (and measure, where there is one) with `patients` and figures.
    Out: the same rows with a column `suppressed`; where it is true every figure is null. Hidden are rows with 1 up to
    under `small_count_below` patients; then, where among the rows that add up to one total exactly one is hidden, the
    smallest shown one beside it. Zero may be shown.
    """
    few = (pl.col("patients") > 0) & (pl.col("patients") < policy.small_count_below)
    marked = summary.with_row_index("_row").with_columns(suppressed=few)
    for _ in range(_ROUNDS):
        before = marked["suppressed"].sum()
        for total, part in (("ward", "group"), ("group", "ward")):
            marked = _hide_a_second(marked, fixed=total, parts=part)
        if marked["suppressed"].sum() == before:
            break
    keys = {"_row", "suppressed", "measure_id", *CELL}
    figures = [name for name in summary.columns if name not in keys]
    hidden = (pl.when(~pl.col("suppressed")).then(pl.col(name)).alias(name) for name in figures)
    return marked.sort("_row").with_columns(*hidden).drop("_row")


_ROUNDS = 20


def _hide_a_second(marked: pl.DataFrame, fixed: str, parts: str) -> pl.DataFrame:
    """Where one of the parts of a total is hidden alone, hides the smallest of the others that has patients."""
    among = [name for name in ("measure_id", "month") if name in marked.columns] + [fixed]
    is_part = pl.col(parts).is_not_null() & (pl.col("patients") > 0)
    rows = marked.filter(is_part).with_columns(hidden_there=pl.col("suppressed").sum().over(among))
    second = (
        rows.filter((pl.col("hidden_there") == 1) & ~pl.col("suppressed"))
        .sort("patients", parts)
        .group_by(among, maintain_order=True)
        .agg(pl.col("_row").first())
    )
    return marked.with_columns(suppressed=pl.col("suppressed") | pl.col("_row").is_in(second["_row"].implode()))
