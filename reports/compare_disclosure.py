"""What of a comparison may be shown, so that no small count of patients can be worked back from it and other pages.

Two months, two wards or two sites at a time soon show all of them, and the report of the month shows their sum. So
hidden is what the report of the month hides, and of shares of events and rates also what the pages for the board hide:
whatever has few patients on either side, and enough of the other wards that no subtraction gives it away.
Source: NHS Digital, disclosure control of hospital episode statistics (small counts, percentages and complements).
"""

from collections.abc import Collection, Sequence

import duckdb
import polars as pl

from pipeline.measure_file import Measure
from pipeline.policy import Policy
from pipeline.rollup import CELL, in_every_cell, suppress_small_counts

# Stands for the measure where the figures are those of the band.
BAND = "band"
_COUNTS = ("patients", "patients_with", "patients_without")


def measures_shown(
    con: duckdb.DuckDBPyConnection, months: Collection[str], measures: Sequence[Measure], policy: Policy
) -> pl.DataFrame:
    """`measure_summary` of these months with a column `suppressed`; where it is true every figure is null.

    Over the rows that the report of the month hides, shares of events and rates are hidden where few patients had an
    event or few had none; and of two shares of nearly the same stays the second, if the difference is a small count.
    """
    summary, rows = (
        con.sql(f"select * from {table} where list_contains($months, month)", params={"months": sorted(months)}).pl()
        for table in ("measure_summary", "measure_rows")
    )
    rates = [measure.id for measure in measures if measure.kind == "rate"]
    counted = rows.filter(pl.col("measure_id").is_in(_countable(measures)) & (pl.col("denominator") > 0))
    sides = _counts(in_every_cell(counted), CELL, rates).drop("patients")
    shown = suppress_small_counts(summary.join(sides, on=["measure_id", *CELL], how="left", nulls_equal=True), policy)
    of_events = [each for each in _countable(measures) if each not in rates]
    return hide(shown, pl.col("measure_id").is_in(_second_of_two(rows, of_events, policy)))


def hide(summary: pl.DataFrame, which: pl.Expr) -> pl.DataFrame:
    """The same rows with those that `which` names suppressed as well."""
    keys = {"measure_id", "suppressed", *CELL}
    figures = (pl.when(~which).then(pl.col(name)).alias(name) for name in summary.columns if name not in keys)
    return summary.with_columns(*figures, suppressed=pl.col("suppressed") | which)


def _countable(measures: Sequence[Measure]) -> list[str]:
    """The measures from whose figure and interval a number of events can be worked back."""
    return [each.id for each in measures if each.kind == "rate" or (each.kind == "share" and each.of == "events")]


def _counts(rows: pl.DataFrame, cell: Sequence[str], rates: Collection[str]) -> pl.DataFrame:
    """One row per measure and cell: patients, those with an event that counts, and those with one that does not.

    Of a rate: patients with an event, and those without any.
    """
    none_needed = pl.col("measure_id").is_in(rates)
    return (
        rows.group_by("measure_id", *cell, "patient_key")
        .agg(pl.col("numerator", "denominator").sum())
        .with_columns(
            has=pl.col("numerator") > 0,
            lacks=pl.when(none_needed)
            .then(pl.col("numerator") == 0)
            .otherwise(pl.col("denominator") > pl.col("numerator")),
        )
        .group_by("measure_id", *cell)
        .agg(
            patients=pl.len().cast(pl.Int64),
            patients_with=pl.col("has").sum().cast(pl.Int64),
            patients_without=pl.col("lacks").sum().cast(pl.Int64),
        )
    )


def _second_of_two(rows: pl.DataFrame, of_events: Sequence[str], policy: Policy) -> set[str]:
    """Of every two shares of stays that a few patients tell apart in a ward or in all, the one that comes later.

    Such are two shares over nearly the same stays, of which few count in one and not in the other: a target at any
    time, and one within the hour. Hidden everywhere, since wards add up to the whole.
    """
    by_stay = (
        in_every_cell(rows.filter(pl.col("measure_id").is_in(of_events) & (pl.col("denominator") > 0)))
        .filter(pl.col("group").is_null())
        .group_by("month", "ward", "measure_id", "stay_id", "patient_key")
        .agg(met=pl.col("numerator").sum() > 0, whole=pl.col("denominator").sum())
        .filter(pl.col("whole").max().over("measure_id") == 1)
    )
    others = by_stay.select("month", "ward", "stay_id", other="measure_id", other_met="met")
    only_in_one = (
        by_stay.join(others.select("month", "ward", "other").unique(), on=["month", "ward"], nulls_equal=True)
        .filter(pl.col("other") != pl.col("measure_id"))
        .join(others, on=["month", "ward", "stay_id", "other"], how="left", nulls_equal=True)
        .group_by("month", "ward", "measure_id", "other")
        .agg(
            counted=pl.col("patient_key").filter(pl.col("other_met").is_null()).n_unique(),
            met=pl.col("patient_key").filter(pl.col("met") & ~pl.col("other_met").fill_null(False)).n_unique(),
        )
    )
    few = policy.small_count_below
    back = only_in_one.rename({"measure_id": "other", "other": "measure_id"})
    apart = only_in_one.join(
        back, on=["month", "ward", "measure_id", "other"], nulls_equal=True, suffix="_back"
    ).filter(
        (pl.max_horizontal("counted", "counted_back") < few)
        & (pl.col("met").is_between(1, few, closed="left") | pl.col("met_back").is_between(1, few, closed="left"))
    )
    found = set(apart.select("measure_id", "other").unique().iter_rows())
    hidden: set[str] = set()
    for place, one in enumerate(of_events):
        if any((one, other) in found and other not in hidden for other in of_events[:place]):
            hidden.add(one)
    return hidden


def given_away_by_wards(
    con: duckdb.DuckDBPyConnection,
    month: str,
    measures: Sequence[Measure],
    band: pl.DataFrame,
    measured: pl.DataFrame,
    policy: Policy,
) -> set[tuple[str, str | None]]:
    """Pairs of measure (or `BAND`) and group of which no site may be shown: less its wards it gives a count away.

    band, measured: `month_summary` and `measure_summary` by ward with `suppressed`, as other pages show them. A site is
    the sum of its wards: what is left of it is known when only one of them is hidden, or spread over several sites.
    """
    rates = [measure.id for measure in measures if measure.kind == "rate"]
    rows = con.sql(_BY_SITE_AND_WARD, params={"month": month, "measures": _countable(measures)}).pl()
    rows = pl.concat([rows, rows.with_columns(group=pl.lit(None, dtype=pl.String))])
    keys = ["measure_id", "group"]
    wards = pl.concat([band.with_columns(measure_id=pl.lit(BAND)), measured], how="diagonal")
    wards = wards.filter((pl.col("month") == month) & pl.col("suppressed"))
    parts = (
        _counts(rows, ["group", "site", "ward"], rates)
        .join(wards.select(*keys, "ward", hidden=True), on=[*keys, "ward"], how="left", nulls_equal=True)
        .join(_counts(rows, ["group", "site"], rates), on=[*keys, "site"], nulls_equal=True, suffix="_of_site")
        .with_columns(pl.col("hidden").fill_null(False), spread=pl.len().over(*keys, "ward") > 1)
    )
    unsafe = pl.concat([_unsafe(parts, count, policy.small_count_below) for count in _COUNTS])
    return set(unsafe.select(keys).iter_rows())


_BY_SITE_AND_WARD = """
    with rows as (
        select
            measure_id,
            "group",
            stay_id,
            ward,
            patient_key,
            numerator,
            denominator
        from measure_rows
        where
            month = $month
            and denominator > 0
            and list_contains($measures, measure_id)
        union all
        select
            'band' as measure_id,
            retainer_group as "group",
            stay_id,
            ward,
            patient_key,
            0 as numerator,
            1 as denominator
        from stay_month_time
        where month = $month
    )
    select
        rows.measure_id,
        rows."group",
        stays.site,
        rows.ward,
        rows.patient_key,
        rows.numerator,
        rows.denominator
    from rows
    join stays on stays.stay_id = rows.stay_id
    where
        stays.site is not null
        and rows.ward is not null
"""


def _unsafe(parts: pl.DataFrame, count: str, small: float) -> pl.DataFrame:
    """The sites whose hidden parts cannot each be every small count; the rule is that of `suppress_small_counts`."""
    unknown = pl.col("hidden") | pl.col("spread")
    return (
        parts.filter(pl.col(count) > 0)
        .group_by("measure_id", "group", "site")
        .agg(
            parts=unknown.sum().cast(pl.Int64),
            alone=(pl.col("hidden") | (pl.col(count) < small)).filter(unknown).any(),
            largest=pl.col(count).filter(unknown).max(),
            left=pl.col(f"{count}_of_site").first() - pl.col(count).filter(~unknown).sum(),
        )
        .filter(
            ((pl.col("parts") == 1) & pl.col("alone"))
            | ((pl.col("parts") > 1) & (pl.max_horizontal("largest", pl.col("left") - pl.col("parts") + 1) < small - 1))
        )
    )
