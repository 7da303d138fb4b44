"""The main flow: from a loaded store to its measured tables.

`measure_store` is the whole of it. The timeline and the events found in it are made batch by batch, so that memory does
not grow with the hospital; everything after them is an aggregate of them.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence

import duckdb
import polars as pl

from pipeline.catalogue import check_on_store, fingerprint, read_measures
from pipeline.episodes import episodes_with_gases, stretches
from pipeline.errors import StoreError
from pipeline.event_tables import EVENT_TABLES
from pipeline.events.choices import choices
from pipeline.events.stretches import Batch
from pipeline.events.valves import VALVE
from pipeline.measure_file import Measure
from pipeline.month_rollup import month_tables
from pipeline.policy import Policy
from pipeline.rollup import measure_summary
from pipeline.store import create_tables, fact, owner_only, set_fact, sql_text, tool_version, transaction
from pipeline.timeline import Timeline, build_timeline, with_earlier_retention
from pipeline.vocabulary import TABLES

# Made by a file of sql/derived/ each, in this order.
DERIVED_TABLES = (
    "stay_band_time",
    "stay_month_time",
    "retainers",
    "band_distance",
    "oxygen_change_effects",
    "excess_totals",
    "sensitivity",
    "published_definitions",
)
MEASURED_TABLES = (
    "conditions",
    "spans",
    "high_fio2_episodes",
    *EVENT_TABLES,
    "policy_values",
    "sensitivity_choices",
    *DERIVED_TABLES,
    "measure_rows",
    "measure_summary",
    "month_summary",
    "month_changes",
)
_READINGS_IN_A_BATCH = 2_000_000


def measure_store(
    connection: duckdb.DuckDBPyConnection, policy: Policy, tell: Callable[[str], None] = lambda _: None
) -> bool:
    """Fills the measured tables in one transaction; does nothing, and returns false, when they are up to date.

    They are up to date while the data, the policy, the measure files and the tool are those they were made with, and
    none of them is missing.
    Raises StoreError when nothing was loaded yet, MeasureFileError when a file of sql/measures/ is not valid.
    Whatever is raised, the tables are as before.
    """
    if fact(connection, "zone") is None:
        raise StoreError(
            "Nothing was loaded into this store yet, so there is nothing to measure. "
            "Load an extract first: bandaudit load EXTRACT --store FILE"
        )
    measures = read_measures()
    state = ":".join(
        (fact(connection, "data_version") or "", policy.fingerprint, fingerprint(measures), tool_version())
    )
    missing = _missing_tables(connection)
    if fact(connection, "measured_state") == state and not missing:
        return False
    # So that measures fit a store made by an earlier tool.
    for table in missing:
        connection.execute(sql_text("tables", table))
    check_on_store(measures, connection)
    # What does not fit into memory is written beside the store for the time being.
    with owner_only(), transaction(connection):
        _measure_all(connection, policy, measures, tell)
        set_fact(connection, "measured_state", state)
        set_fact(connection, "measured_policy", policy.fingerprint)
    return True


def _measure_all(
    connection: duckdb.DuckDBPyConnection, policy: Policy, measures: Sequence[Measure], tell: Callable[[str], None]
) -> None:
    empty_measured_tables(connection)
    insert(connection, "policy_values", _policy_values(policy))
    insert(connection, "sensitivity_choices", choices(policy))
    fill_timeline(connection, policy, tell)
    tell("adding up band time")
    for table in DERIVED_TABLES:
        derive(connection, table)
    for measure in measures:
        tell(f"measuring: {measure.title}")
        run_measure(connection, measure)
    tell("pooling by month, ward and group")
    insert(connection, "measure_summary", measure_summary(connection, measures))
    summary, changes = month_tables(connection)
    insert(connection, "month_summary", summary)
    insert(connection, "month_changes", changes)


def empty_measured_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """Makes every measured table anew, empty."""
    for table in MEASURED_TABLES:
        connection.execute(f"drop table if exists {table}")
        connection.execute(sql_text("tables", table))


def _missing_tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
    present = {name for (name,) in connection.execute("select table_name from information_schema.tables").fetchall()}
    return [table for table in (*MEASURED_TABLES, "stays_by_group") if table not in present]


def fill_timeline(
    connection: duckdb.DuckDBPyConnection,
    policy: Policy,
    tell: Callable[[str], None] = lambda _: None,
    event_tables: Mapping[str, Callable[[Batch, Policy], pl.DataFrame]] = EVENT_TABLES,
) -> None:
    """Builds the timeline, the episodes and the tables of events of all stays, batch by batch."""
    zone = fact(connection, "zone") or "UTC"
    stays = with_earlier_retention(
        connection.sql("select * from stays").pl(), connection.sql("select * from gases").pl(), policy
    )
    batches = list(_batches(connection))
    for number, (first, last) in enumerate(batches, start=1):
        tell(f"building the timeline, part {number} of {len(batches)}")
        frames = _frames(connection, stays, first, last)
        timeline = build_timeline(frames, policy, zone)
        insert(connection, "conditions", timeline.conditions)
        insert(connection, "spans", timeline.spans)
        batch = Batch(timeline, stretches(timeline), frames)
        insert(connection, "high_fio2_episodes", episodes_with_gases(batch.stretches, batch.rows("gases"), policy))
        for table, events in event_tables.items():
            insert(connection, table, events(batch, policy))


def _batches(connection: duckdb.DuckDBPyConnection) -> Iterator[tuple[int, int]]:
    """Ranges of stay_no, first and last included, each with about the same number of readings."""
    counted = connection.sql("""
        select
            stays.stay_no,
            coalesce(counts.readings, 0) as readings
        from stays
        left join (select stay_no, count(*) as readings from readings group by stay_no) as counts using (stay_no)
        order by stays.stay_no
    """).pl()
    part = counted["readings"].cum_sum() // _READINGS_IN_A_BATCH
    for group in counted.with_columns(part=part).partition_by("part", maintain_order=True):
        yield group["stay_no"][0], group["stay_no"][-1]


def _frames(
    connection: duckdb.DuckDBPyConnection, stays: pl.DataFrame, first: int, last: int
) -> dict[str, pl.DataFrame]:
    frames = {"stays": stays.filter(pl.col("stay_no").is_between(first, last))}
    for name in TABLES:
        if name != "stays":
            columns = "stay_no, taken_at, spo2_percent" if name == "readings" else "*"
            query = f"select {columns} from {name} where stay_no between {int(first)} and {int(last)}"
            frames[name] = connection.sql(query).pl()
    frames["breathing"] = connection.sql(f"""
        select
            stay_no,
            taken_at,
            respiratory_rate
        from readings
        where
            stay_no between {int(first)} and {int(last)}
            and respiratory_rate is not null
            and stay_no in (select stay_no from devices where device = '{VALVE}')
    """).pl()
    return frames


def _policy_values(policy: Policy) -> pl.DataFrame:
    rows = [(entry.name, float(getattr(policy, entry.name)), entry.unit) for entry in policy.parameters]
    return pl.DataFrame(rows, schema={"name": pl.String, "value": pl.Float64, "unit": pl.String}, orient="row")


def insert(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Appends a frame to a table of the store, column by column name."""
    connection.register("arriving", frame)
    connection.execute(f"insert into {table} by name from arriving")
    connection.unregister("arriving")


def derive(connection: duckdb.DuckDBPyConnection, table: str) -> None:
    """Fills a table with the result of the SELECT of its name in sql/derived/."""
    connection.execute(f"insert into {table} by name {sql_text('derived', table)}")


def run_measure(connection: duckdb.DuckDBPyConnection, measure: Measure) -> None:
    """Runs one measure file over the store and keeps its rows, each with the patient's group in that month."""
    returned = connection.sql(measure.sql).columns
    kept = [name for name in ("numerator", "denominator", "value", "censored") if name in returned]
    group = "groups.retainer_group"
    if "retainer" in returned:
        group = "case when result.retainer is null then 'other' else 'retainer' end"
    connection.execute(
        f"""
        insert into measure_rows by name
        select
            ? as measure_id,
            result.stay_id,
            groups.patient_key,
            result.ward,
            result.month,
            {group} as "group",
            {", ".join(f"result.{name}" for name in kept)}
        from ({measure.sql}) as result
        join stays_by_group as groups on groups.stay_id = result.stay_id and groups.month = result.month
        """,
        [measure.id],
    )


def stay_band_time(timeline: Timeline) -> pl.DataFrame:
    """The band time of a timeline that stands by itself, by the same SQL as in the store; for trying things out.

    Out: one row per row of the table `stay_band_time`.
    """
    with duckdb.connect() as connection:
        create_tables(connection)
        insert(connection, "conditions", timeline.conditions)
        insert(connection, "spans", timeline.spans)
        derive(connection, "stay_band_time")
        return connection.sql("select * from stay_band_time").pl()
