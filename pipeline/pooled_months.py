"""Pools by month what was measured, and only those months whose rows are others than when they were last pooled."""

from collections.abc import Callable, Iterator, Sequence

import duckdb
import polars as pl

from pipeline.batch_tables import only_these_months
from pipeline.catalogue import fingerprint
from pipeline.fill import derive, insert
from pipeline.measure_file import Measure
from pipeline.memory import shares
from pipeline.month_rollup import EPISODES_STARTED, month_tables, with_following
from pipeline.progress import Step
from pipeline.rollup import measure_summary
from pipeline.store import transaction

POOLED_BY_MONTH = ("measure_summary", "month_summary", "month_changes", "pooled_months")
# Tables of sql/derived/ whose rows of a month are made of the rows of that month alone, in these tables, and of what
# evidence of CO2 retention its stays have.
DERIVED_BY_MONTH = ("excess_totals", "sensitivity", "published_definitions")
_THEIR_SOURCES = (
    "stay_month_time",
    "stay_month_on_oxygen",
    "band_distance",
    "carry_time",
    "threshold_episodes",
    "episode_estimates",
    "excess_runs",
)
_BAND_TIME, _DERIVED = "month_summary", "derived"


def pool_months(
    connection: duckdb.DuckDBPyConnection, measures: Sequence[Measure], tell: Callable[[str], None] = lambda _: None
) -> None:
    """Brings what is pooled by month up to date with what was measured: some months at a time, one transaction each."""
    now = _made_from(connection, measures)
    before = connection.sql("select figure, month, made_from from pooled_months").pl()
    gone = before.join(now, on=["figure", "month"], how="anti")
    changed = pl.concat([now.join(before, on=before.columns, how="anti").select(gone.columns), gone])
    months = sorted(changed["month"].unique())
    done = 0
    for some in _in_parts(months, now):
        tell(Step("pooling by month, ward and group", done, len(months), "months"))
        figures = set(changed.filter(pl.col("month").is_in(some))["figure"])
        with transaction(connection):
            _pool(connection, some, figures, [measure for measure in measures if measure.id in figures])
            of_these = pl.col("month").is_in(some) & pl.col("figure").is_in(sorted(figures))
            insert(connection, "pooled_months", now.filter(of_these).select(before.columns))
        done += len(some)
    tell(Step("pooling by month, ward and group", done, len(months), "months"))


def _made_from(connection: duckdb.DuckDBPyConnection, measures: Sequence[Measure]) -> pl.DataFrame:
    """One row per figure and month: how many `rows` it is made of; `made_from`, which differs when any of them does.

    The same rows in another order have the same sum of hashes.
    """
    sources = " ".join(
        f"union all select '{_DERIVED}' as figure, month, hash(source) as row_hash from {table} as source"
        for table in _THEIR_SOURCES
    )
    counted = connection.sql(f"""
        with hashed as (
            select
                measure_id as figure,
                month,
                hash(stay_id, patient_key, ward, "group", numerator, denominator, value, censored) as row_hash
            from measure_rows
            union all
            select '{_BAND_TIME}' as figure, month, hash(measured) as row_hash
            from stay_month_time as measured
            union all
            select '{_BAND_TIME}' as figure, month, hash(started) as row_hash
            from ({EPISODES_STARTED}) as started
            {sources}
            union all
            select '{_DERIVED}' as figure, month, hash(stay_id, retainer_ever) as row_hash
            from stays_by_group
            join retainers using (stay_id)
        )
        select
            figure,
            month,
            count(*) as rows,
            sum(row_hash)::varchar as row_hashes
        from hashed
        group by
            figure,
            month
    """).pl()
    files = {measure.id: fingerprint([measure]) for measure in measures} | {_BAND_TIME: "", _DERIVED: ""}
    return counted.filter(pl.col("figure").is_in(list(files))).with_columns(
        made_from=pl.concat_str(pl.col("figure").replace_strict(files), "rows", "row_hashes", separator=":")
    )


def _in_parts(months: Sequence[str], rows: pl.DataFrame) -> Iterator[list[str]]:
    # Months are never cut apart.
    by_month = dict(rows.group_by("month").agg(pl.col("rows").sum()).iter_rows())
    part, size = list[str](), 0
    for month in months:
        if part and size + by_month.get(month, 0) > shares().rows_pooled:
            yield part
            part, size = [], 0
        part.append(month)
        size += by_month.get(month, 0)
    if part:
        yield part


def _pool(
    connection: duckdb.DuckDBPyConnection, months: list[str], figures: set[str], measures: Sequence[Measure]
) -> None:
    chosen = [months, sorted(figures)]
    for table, figure in (("pooled_months", "figure"), ("measure_summary", "measure_id")):
        connection.execute(f"delete from {table} where list_contains(?, month) and list_contains(?, {figure})", chosen)
    if measures:
        insert(connection, "measure_summary", measure_summary(connection, measures, months))
    if _BAND_TIME in figures:
        summary, changes = month_tables(connection, months)
        connection.execute("delete from month_summary where list_contains(?, month)", [months])
        connection.execute("delete from month_changes where list_contains(?, month)", [with_following(months)])
        insert(connection, "month_summary", summary)
        insert(connection, "month_changes", changes)
    if _DERIVED in figures:
        with only_these_months(connection, months, _THEIR_SOURCES):
            for table in DERIVED_BY_MONTH:
                connection.execute(f"delete from {table} where list_contains(?, month)", [months])
                derive(connection, table)
