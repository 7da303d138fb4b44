"""Every table of events is made with exactly the columns and kinds it has in the store."""

import duckdb
import pytest

from pipeline.event_tables import EVENT_TABLES
from pipeline.measure import insert
from tests.charts import chart, device, gas, reading, target
from tests.events.batches import POLICY, batch_of
from tests.stores import empty_store

BUSY = chart(
    600,
    target(0),
    reading(0, 96, rate=20),
    device(0, "air_entrainment_mask", flow=4, fio2=0.28),
    gas(30, 7.0, 7.3, po2_kpa=9.0),
    device(60, "simple_mask", flow=5),
    gas(90, 8.0, 7.2, po2_kpa=9.0),
)


@pytest.mark.parametrize("table", EVENT_TABLES)
@pytest.mark.parametrize("tables", [BUSY, chart(600)], ids=["busy", "nothing charted"])
def test_a_maker_gives_every_column_of_its_table_in_order(
    table: str, tables: dict[str, list[dict[str, object]]]
) -> None:
    frame = EVENT_TABLES[table](batch_of(tables), POLICY)
    with empty_store() as connection:
        assert frame.columns == connection.table(table).columns
        insert(connection, table, frame)
        assert connection.sql(f"select count(*) from {table}").fetchall() == [(frame.height,)]
        # Types as stored, not turned into others on the way in.
        connection.register("made", frame)
        made = [column[1] for column in connection.execute("describe made").fetchall()]
        stored = [column[1] for column in connection.execute(f"describe {table}").fetchall()]
        assert made == stored
    assert (frame.height > 0) == (tables is BUSY)


def test_a_faulty_row_is_refused_by_the_store() -> None:
    """So that a column nobody fills is noticed: what must be known cannot be null."""
    frame = EVENT_TABLES["excess_runs"](batch_of(BUSY), POLICY).drop("percent_hours")
    with empty_store() as connection, pytest.raises(duckdb.ConstraintException):
        insert(connection, "excess_runs", frame)
