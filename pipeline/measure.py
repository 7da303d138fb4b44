"""The main flow: from a loaded store to its measured tables.

`measure_store` is the whole of it. Stays are measured batch by batch, each batch stored in a transaction of its own, so
that memory does not grow with the hospital and no work is lost; what is pooled over stays is made after them.
What is made anew when something changes:

| changed | made anew |
| --- | --- |
| stays were loaded, or more of them | these stays and the others of their patients, then the months with other rows |
| a measure file | its rows, over all stays, and its figures |
| the policy, or the tool | everything |

How it is known: a stay that changes gets a new number above all others (`pipeline/intake/storing.py`), and stays are
measured in the order of their numbers. So what lies above the fact `measured_up_to` is to be measured, and what was
measured under a number that is gone is to be taken out.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager

import duckdb
import polars as pl

from pipeline.batch import BATCH_TABLES, measure_batch
from pipeline.batch_tables import in_store, only_these_stays
from pipeline.catalogue import check_on_store, fingerprint, read_measures
from pipeline.errors import StoreError
from pipeline.events.choices import choices
from pipeline.fill import derive, insert, refuse_unusable_rows, run_measure, stay_band_time
from pipeline.intake.storing import put_patients_together
from pipeline.layers import SECONDS_BITS
from pipeline.measure_file import Measure
from pipeline.one_ahead import one_ahead
from pipeline.policy import Policy
from pipeline.pooled_months import DERIVED_BY_MONTH, POOLED_BY_MONTH, pool_months
from pipeline.progress import Step
from pipeline.stay_batches import StayBatch, frames_of, stay_batches
from pipeline.store import fact, forget_fact, owner_only, set_fact, sql_text, tool_version, transaction

__all__ = [
    "DERIVED_TABLES",
    "MEASURED_TABLES",
    "derive",
    "empty_measured_tables",
    "fill_timeline",
    "insert",
    "measure_store",
    "run_measure",
    "stay_band_time",
]

# Made by a file of sql/derived/ each, in this order: those with a stay_id batch by batch, the others over all stays, or
# month by month (DERIVED_BY_MONTH).
DERIVED_TABLES = (
    "stay_band_time",
    "stay_month_time",
    "retainers",
    "band_distance",
    "stay_month_on_oxygen",
    "oxygen_change_effects",
    "excess_totals",
    "sensitivity",
    "published_definitions",
)
MEASURED_TABLES = (
    *BATCH_TABLES,
    "policy_values",
    "sensitivity_choices",
    *DERIVED_TABLES,
    "measure_rows",
    *POOLED_BY_MONTH,
)
_FILE_FACT = "measure "

MakeBatch = Callable[[Mapping[str, pl.DataFrame], Policy, str], dict[str, pl.DataFrame]]


def measure_store(
    connection: duckdb.DuckDBPyConnection,
    policy: Policy,
    tell: Callable[[str], None] = lambda _: None,
    readings_in_a_batch: int | None = None,
) -> bool:
    """Brings the measured tables up to date; does nothing, and returns false, when they are.

    They are up to date while the data, the policy, the measure files and the tool are those they were made with, and
    none of them is missing. Whatever is raised, and whenever the program is killed, the store is sound: the fact
    `measured_state` is gone from the first change to the last, so that nothing half measured is taken for done, and
    what was measured of the stays before is kept. The next call goes on from there, and its result is, cell by cell,
    that of measuring everything at once.
    readings_in_a_batch: null for what the memory allows.
    Raises StoreError when nothing was loaded yet, MeasureFileError when a file of sql/measures/ is not valid; then the
    tables are as before.
    """
    if fact(connection, "zone") is None:
        raise StoreError(
            "Nothing was loaded into this store yet, so there is nothing to measure. "
            "Load an extract first: bandaudit load EXTRACT --store FILE"
        )
    measures = read_measures()
    _add_missing_tables(connection)
    state = ":".join(
        (fact(connection, "data_version") or "", policy.fingerprint, fingerprint(measures), tool_version())
    )
    if fact(connection, "measured_state") == state:
        return False
    check_on_store(measures, connection)
    # What does not fit into memory is written beside the store for the time being.
    with owner_only():
        _begin(connection, policy, measures)
        _run_changed_measures(connection, measures, tell, readings_in_a_batch)
        _measure_new_stays(connection, policy, measures, tell, readings_in_a_batch)
        _pool(connection, measures, tell)
        with transaction(connection):
            set_fact(connection, "measured_state", state)
            set_fact(connection, "measured_policy", policy.fingerprint)
    return True


def _add_missing_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """So that a store made by an earlier tool has every table, and what belongs into a new one is made."""
    present = {name for (name,) in connection.execute("select table_name from information_schema.tables").fetchall()}
    missing = [table for table in (*MEASURED_TABLES, "stays_by_group") if table not in present]
    if not missing:
        return
    with transaction(connection):
        for table in missing:
            connection.execute(sql_text("tables", table))
        forget_fact(connection, "measured_state")
        forget_fact(connection, "measured_with")


def _begin(connection: duckdb.DuckDBPyConnection, policy: Policy, measures: Sequence[Measure]) -> None:
    """Makes room: for everything when the policy or the tool is another, else for the stays that are to be measured."""
    made_with = f"{policy.fingerprint}:{tool_version()}"
    with transaction(connection):
        forget_fact(connection, "measured_state")
        put_patients_together(connection)
        if fact(connection, "measured_with") == made_with:
            _take_out_changed_stays(connection)
            return
        empty_measured_tables(connection)
        insert(connection, "policy_values", _policy_values(policy))
        insert(connection, "sensitivity_choices", choices(policy))
        set_fact(connection, "measured_with", made_with)
        set_fact(connection, "measured_up_to", "0")
        for name in _measure_files(connection):
            forget_fact(connection, _FILE_FACT + name)
        for measure in measures:
            set_fact(connection, _FILE_FACT + measure.id, fingerprint([measure]))


def empty_measured_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """Makes every measured table anew, empty."""
    for table in MEASURED_TABLES:
        connection.execute(f"drop table if exists {table}")
        connection.execute(sql_text("tables", table))


def _take_out_changed_stays(connection: duckdb.DuckDBPyConnection) -> None:
    """Takes out every row of a stay that no longer has the number under which it was measured."""
    connection.execute(f"""
        create or replace temp table gone as
        select
            condition_no,
            stay_id
        from conditions
        where (condition_no >> {SECONDS_BITS}) not in (select stay_no from stays)
    """)
    connection.execute("delete from spans where condition_no in (select condition_no from gone)")
    for table in (*_tables_of_stays(connection), "measure_rows"):
        if table != "spans":
            connection.execute(f"delete from {table} where stay_id in (select stay_id from gone)")
    connection.execute("drop table gone")


def _tables_of_stays(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """The tables that are made batch by batch, in order: those of the batches, and the derived ones with a stay_id."""
    with_stay = connection.execute("select table_name from information_schema.columns where column_name = 'stay_id'")
    names = {name for (name,) in with_stay.fetchall()}
    return [*BATCH_TABLES, *(table for table in DERIVED_TABLES if table in names)]


def _measured_up_to(connection: duckdb.DuckDBPyConnection) -> int:
    return int(fact(connection, "measured_up_to") or 0)


def _measure_files(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """By measure, the fingerprint of the file with which all stays up to `measured_up_to` were measured."""
    rows = connection.execute("select name, value from store_facts where starts_with(name, ?)", [_FILE_FACT]).fetchall()
    return {name.removeprefix(_FILE_FACT): value for name, value in rows}


def _run_changed_measures(
    connection: duckdb.DuckDBPyConnection,
    measures: Sequence[Measure],
    tell: Callable[[str], None],
    readings_in_a_batch: int | None,
) -> None:
    """Runs measures with a new or changed file over the stays that are measured already, one transaction a measure."""
    known = _measure_files(connection)
    for name in known.keys() - {measure.id for measure in measures}:
        with transaction(connection):
            connection.execute("delete from measure_rows where measure_id = ?", [name])
            forget_fact(connection, _FILE_FACT + name)
    changed = [measure for measure in measures if known.get(measure.id) != fingerprint([measure])]
    if not changed:
        return
    of_stays = _tables_of_stays(connection)
    batches = list(stay_batches(connection, up_to=_measured_up_to(connection), readings=readings_in_a_batch))
    for done, measure in enumerate(changed):
        tell(Step("running measures that are new or changed", done, len(changed), "measures"))
        with transaction(connection):
            connection.execute("delete from measure_rows where measure_id = ?", [measure.id])
            for batch in batches:
                with only_these_stays(connection, batch, of_stays, empty=False):
                    run_measure(connection, measure)
            refuse_unusable_rows(connection, [measure])
            set_fact(connection, _FILE_FACT + measure.id, fingerprint([measure]))
    tell(Step("running measures that are new or changed", len(changed), len(changed), "measures"))


def _measure_new_stays(
    connection: duckdb.DuckDBPyConnection,
    policy: Policy,
    measures: Sequence[Measure],
    tell: Callable[[str], None],
    readings_in_a_batch: int | None,
) -> None:
    """Measures the stays above `measured_up_to`, one transaction a batch."""
    of_stays = _tables_of_stays(connection)
    batches = list(stay_batches(connection, _measured_up_to(connection), readings=readings_in_a_batch))
    done, readings = 0, sum(batch.readings for batch in batches)
    with _made_of(connection, batches, policy, measure_batch) as all_made:
        for batch, made in zip(batches, all_made, strict=True):
            tell(Step("measuring the stays", done, readings, "readings"))
            with transaction(connection), only_these_stays(connection, batch, of_stays, empty=True):
                for table in of_stays:
                    if table in made:
                        insert(connection, table, made.pop(table))
                    else:
                        derive(connection, table)
                    connection.execute(f"insert into {in_store(connection, table)} by name select * from {table}")
                for measure in measures:
                    run_measure(connection, measure)
                refuse_unusable_rows(connection, measures)
                set_fact(connection, "measured_up_to", str(batch.last))
            done += batch.readings
    tell(Step("measuring the stays", done, readings, "readings"))


def _pool(connection: duckdb.DuckDBPyConnection, measures: Sequence[Measure], tell: Callable[[str], None]) -> None:
    """Makes what is pooled over stays: the tables without a stay_id."""
    tell("adding up over all stays")
    of_stays = _tables_of_stays(connection)
    with transaction(connection):
        for table in DERIVED_TABLES:
            if table not in (*of_stays, *DERIVED_BY_MONTH):
                connection.execute(f"delete from {table}")
                derive(connection, table)
    pool_months(connection, measures, tell)


def fill_timeline(
    connection: duckdb.DuckDBPyConnection,
    policy: Policy,
    make: MakeBatch = measure_batch,
    derived: Sequence[str] = (),
) -> None:
    """Fills the tables that `make` makes of the rows of stays, for all stays; for trying things out.

    derived: tables with a stay_id to be made of `conditions` and `spans`, batch by batch as well.
    What it reads must be stored: it is not done in the transaction in which an extract is loaded.
    """
    batches = list(stay_batches(connection))
    with _made_of(connection, batches, policy, make) as all_made:
        for batch, made in zip(batches, all_made, strict=True):
            for table, rows in made.items():
                insert(connection, table, rows)
            with only_these_stays(connection, batch, ("conditions", "spans"), empty=False):
                for table in derived:
                    derive(connection, table)


@contextmanager
def _made_of(
    connection: duckdb.DuckDBPyConnection, batches: Sequence[StayBatch], policy: Policy, make: MakeBatch
) -> Iterator[Iterator[dict[str, pl.DataFrame]]]:
    """For each batch its tables by name; the next ones are made while these are stored."""
    zone = fact(connection, "zone") or "UTC"

    def of_batch(batch: StayBatch) -> dict[str, pl.DataFrame]:
        # A connection of its own: the other one is at work.
        with connection.cursor() as reading:
            frames = frames_of(reading, batch, policy)
        return make(frames, policy, zone)

    with closing(one_ahead(map(of_batch, batches))) as made:
        yield made


def _policy_values(policy: Policy) -> pl.DataFrame:
    rows = [(entry.name, float(getattr(policy, entry.name)), entry.unit) for entry in policy.parameters]
    return pl.DataFrame(rows, schema={"name": pl.String, "value": pl.Float64, "unit": pl.String}, orient="row")
