"""The text of sql/ as Spark takes it. That it gives the same rows there is shown in `test_on_spark.py`."""

import pytest

sqlglot = pytest.importorskip("sqlglot", reason='Spark is not installed: pip install "bandaudit[spark]"')

from pipeline.catalogue import read_measures  # noqa: E402
from pipeline.measure_rows import measure_rows_query  # noqa: E402
from pipeline.spark.outputs import arrow_schema, placed_columns  # noqa: E402
from pipeline.spark.sql import columns_of_tables, on_spark, returned_columns  # noqa: E402
from pipeline.store import sql_stems, sql_text  # noqa: E402


@pytest.mark.parametrize("stem", sql_stems("derived"))
def test_every_derived_table_can_be_translated_and_gets_the_columns_it_has(stem: str) -> None:
    sql = sql_text("derived", stem)
    assert sqlglot.parse_one(on_spark(sql), read="spark")
    assert sorted(returned_columns(sql)) == sorted(columns_of_tables()[stem])


@pytest.mark.parametrize("measure", read_measures(), ids=lambda measure: measure.id)
def test_every_measure_can_be_translated(measure) -> None:  # type: ignore[no-untyped-def]
    query = measure_rows_query(measure, returned_columns(measure.sql))
    assert sqlglot.parse_one(on_spark(query), read="spark")
    # In the order of the table, so that the rows of all measures can stand below each other.
    assert returned_columns(query) == list(columns_of_tables()["measure_rows"])


def test_quotients_are_of_doubles_however_deep() -> None:
    assert on_spark("select a / b / 60.0 as x from t") == (
        "SELECT CAST(CAST(a AS DOUBLE) / CAST(b AS DOUBLE) AS DOUBLE) / CAST(60.0 AS DOUBLE) AS x FROM t"
    )


def test_a_table_is_not_sorted_as_a_whole_but_within_a_window() -> None:
    translated = on_spark("select x, row_number() over (order by x) as n from t order by x")
    assert translated.count("ORDER BY") == 1
    assert translated.endswith("FROM t")


def test_a_view_is_translated_as_its_select() -> None:
    assert on_spark(sql_text("tables", "timeline")).startswith("SELECT conditions.stay_id")


def test_what_is_known_not_to_run_there_is_an_error() -> None:
    with pytest.raises(sqlglot.errors.SqlglotError):
        on_spark("select x from")


def test_every_type_of_the_store_has_one_on_spark_and_for_arrow() -> None:
    for table, columns in columns_of_tables().items():
        assert len(arrow_schema(placed_columns(table))) >= len(columns) > 0
    assert columns_of_tables()["spans"]["band_state"] == "string"
    assert columns_of_tables()["spans"]["started_at"] == "timestamp_ntz"
