"""Pools measure rows to every month, ward and group: sum first, divide last. And hides small counts.

A row whose `ward` is null is over all wards (time before the first ward is known counts there only); a row whose
`group` is null is over all patients. Groups: `retainer` when a stay of the patient with time in that month has
evidence of CO2 retention, else `other`.
"""

from collections.abc import Collection, Iterable
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
# Rows of the months of a list; where it is null, all.
IN_MONTHS = "($months::varchar[] is null or list_contains($months::varchar[], month))"
_COUNTS_HIDDEN = ("patients", "patients_observed", "patients_with", "patients_without")


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


def measure_summary(
    connection: duckdb.DuckDBPyConnection, measures: Iterable[Measure], months: Collection[str] | None = None
) -> pl.DataFrame:
    """One row per measure, month, ward and group with the columns of the table `measure_summary`.

    months: only these (null: all); a month's rows are the same whichever others are asked for.
    share and rate: result = sum of numerators / sum of denominators (a rate per 100 patient-days); null without any
    eligible time or event. median: with censoring. Intervals: shares of events by Wilson, other shares by bootstrap
    over patients, rates exact for a Poisson count, medians by Kaplan-Meier.
    """
    kinds = {"share": _share_cells, "rate": _rate_cells, "median": _median_cells}
    # In one order, so that sums of fractions come out the same to the last digit each time.
    query = f'select * from measure_rows where {IN_MONTHS} order by stay_id, month, ward, "group"'
    rows = connection.sql(query, params={"months": None if months is None else list(months)}).pl()
    by_measure = rows.partition_by("measure_id", as_dict=True, maintain_order=True)
    parts = []
    for measure in measures:
        cells = in_every_cell(by_measure.get((measure.id,), rows.clear()))
        parts.append(kinds[measure.kind](measure, cells).with_columns(measure_id=pl.lit(measure.id)))
    return pl.concat(parts, how="diagonal_relaxed").sort("measure_id", *CELL)


def _pooled(cells: pl.DataFrame) -> pl.DataFrame:
    eligible = pl.col("denominator") > 0
    return (
        cells.group_by(CELL)
        .agg(
            patients=pl.col("patient_key").filter(eligible).n_unique().cast(pl.Int64),
            numerator=pl.col("numerator").filter(eligible).sum(),
            denominator=pl.col("denominator").filter(eligible).sum(),
        )
        .with_columns(
            events=pl.col("denominator").cast(pl.Int64),
            result=pl.when(pl.col("denominator") > 0).then(pl.col("numerator") / pl.col("denominator")),
        )
        .sort(CELL)
    )


def _known(numbers: np.ndarray) -> pl.Series:
    return pl.Series(numbers, dtype=pl.Float64).fill_nan(None)


def _share_cells(measure: Measure, cells: pl.DataFrame) -> pl.DataFrame:
    pooled = _pooled(cells)
    if measure.of == "events":
        low, high = wilson(pooled["numerator"].to_numpy(), pooled["denominator"].to_numpy())
        return pooled.with_columns(low=_known(low), high=_known(high))
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
        low=_known(low * per),
        high=_known(high * per),
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

    In: one row per month, ward and group (and measure, where there is one) with `patients` and figures; where the
    shares rest on fewer patients than there are, `patients_observed` counts those. `patients_with` and
    `patients_without`, where a column of theirs is given, count those on either side of a share of events.
    Out: the same rows with a column `suppressed`; where it is true every figure is null. Hidden are rows with 1 up to
    under `small_count_below` patients, every group of a ward that is hidden, and then the smallest of the others, one
    after the other, until no sum gives a hidden row away (see `_hide_one_more`). Zero may be shown.
    Source: NHS Digital, disclosure control of hospital episode statistics (small counts and complements of them).
    """
    small = policy.small_count_below
    counts = [name for name in _COUNTS_HIDDEN if name in summary.columns]
    few = pl.any_horizontal(((pl.col(name) > 0) & (pl.col(name) < small)).fill_null(False) for name in counts)
    marked = summary.with_row_index("_row").with_columns(suppressed=few)
    while True:
        before = marked["suppressed"].sum()
        for count in counts:
            marked = _hide_whole_wards(marked)
            for axis in ("ward", "group"):
                marked = _hide_one_more(marked, axis, count, small)
        if marked["suppressed"].sum() == before:
            break
    keys = {"_row", "suppressed", "measure_id", *CELL}
    figures = [name for name in summary.columns if name not in keys]
    shown = (pl.when(~pl.col("suppressed")).then(pl.col(name)).alias(name) for name in figures)
    return marked.sort("_row").with_columns(*shown).drop("_row")


def _sums_apart(marked: pl.DataFrame) -> list[str]:
    return [name for name in ("measure_id", "month") if name in marked.columns]


def _is_whole_hidden(marked: pl.DataFrame) -> pl.Expr:
    """Whether the row is of a ward that is hidden for all patients."""
    hidden_for_all = (pl.col("suppressed") & pl.col("group").is_null()).any().over(*_sums_apart(marked), "ward")
    return hidden_for_all & pl.col("ward").is_not_null()


def _hide_whole_wards(marked: pl.DataFrame) -> pl.DataFrame:
    return marked.with_columns(suppressed=pl.col("suppressed") | _is_whole_hidden(marked))


def _hide_one_more(marked: pl.DataFrame, axis: str, count: str, small: float) -> pl.DataFrame:
    """Hides one more row of each sum along `axis` that would give a hidden one away.

    A sum is a total (`axis` is null) and its parts. It gives hidden rows away when only one of its rows is hidden, or
    when so few patients are left for the hidden parts that not every small count is possible for each of them. Parts
    may share patients, so what is left is no less than the largest of them. Groups of a ward that is hidden for all
    patients cover no others: where nobody is in one group, the other is the ward itself.
    """
    of_one_sum = [*_sums_apart(marked), *(name for name in CELL[1:] if name != axis)]
    patients, hidden, is_part = pl.col(count).cast(pl.Int64), pl.col("suppressed"), pl.col(axis).is_not_null()
    rows = marked.with_columns(whole=_is_whole_hidden(marked)).filter(pl.col(count) > 0)
    rows = rows.with_columns(split=(is_part & hidden & ~pl.col("whole")).any().over(of_one_sum))
    covered = is_part & hidden & ~(pl.col("whole") & pl.col("split"))
    rows = rows.with_columns(
        total_shown=(~is_part & ~hidden).any().over(of_one_sum),
        total_hidden=(~is_part & hidden).any().over(of_one_sum),
        parts=covered.sum().cast(pl.Int64).over(of_one_sum),
        largest=patients.filter(covered).max().over(of_one_sum),
        left=(patients.filter(~is_part).sum() - patients.filter(is_part & ~covered).sum()).over(of_one_sum),
        # The same ward for every group, so that few wards are hidden.
        size=patients.sum().over(*_sums_apart(marked), axis),
    )
    most_possible = pl.max_horizontal("largest", pl.col("left") - pl.col("parts") + 1)
    gives_away = (
        pl.when("total_shown")
        .then((pl.col("parts") == 1) | ((pl.col("parts") > 1) & (most_possible < small - 1)))
        .otherwise(pl.col("total_hidden") & (pl.col("parts") == 0))
    )
    more = (
        rows.filter(gives_away & ~hidden)
        .sort(~is_part, "size", axis)
        .group_by(of_one_sum, maintain_order=True)
        .agg(pl.col("_row").first())
    )
    return marked.with_columns(suppressed=hidden | pl.col("_row").is_in(more["_row"].implode()))
