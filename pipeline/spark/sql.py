"""The same SQL on Spark: the files of sql/ translated by sqlglot, and the columns of a table as Spark knows them."""

from collections.abc import Mapping
from functools import cache

import duckdb
import sqlglot
from sqlglot import exp

from pipeline.store import create_tables, sql_stems

# Types of the store, and what they are called on Spark. Times have no zone there either.
_SPARK_TYPES = {
    "VARCHAR": "string",
    "DOUBLE": "double",
    "BIGINT": "bigint",
    "INTEGER": "int",
    "SMALLINT": "smallint",
    "TINYINT": "tinyint",
    "UTINYINT": "smallint",
    "USMALLINT": "int",
    "UINTEGER": "bigint",
    "BOOLEAN": "boolean",
    "TIMESTAMP": "timestamp_ntz",
}


def on_spark(sql: str) -> str:
    """A SELECT of sql/, or the SELECT of a view there, as Spark takes it: the same rows, their order apart.

    What is divided is a double, as in the store: Spark would round the quotient of decimals to a few digits. A division
    by zero, infinite in the store, is an error there. Raises sqlglot's errors for what cannot be read, or is known not
    to be on Spark.
    """
    tree = sqlglot.parse_one(sql, read="duckdb")
    if isinstance(tree, exp.Create):
        tree = tree.expression
    for division in list(tree.find_all(exp.Div)):
        for side in ("this", "expression"):
            division.set(side, exp.cast(division.args[side], "double", copy=False))
    # A table has no order; sorting all of it on a cluster would be for nothing.
    tree.set("order", None)
    return tree.sql("spark", comments=False, unsupported_level=sqlglot.ErrorLevel.RAISE)


def returned_columns(sql: str) -> list[str]:
    """The names of the columns that a SELECT of sql/ returns."""
    tree = sqlglot.parse_one(sql, read="duckdb")
    assert isinstance(tree, exp.Query)
    return list(tree.named_selects)


@cache
def columns_of_tables() -> Mapping[str, Mapping[str, str]]:
    """For every table of sql/tables/ its columns in order, each with its type on Spark; codes are text there."""
    with duckdb.connect() as connection:
        create_tables(connection)
        described = {table: connection.execute(f"describe {table}").fetchall() for table in sql_stems("tables")}
    return {
        table: {name: "string" if kind.startswith("ENUM") else _SPARK_TYPES[kind] for name, kind, *_ in rows}
        for table, rows in described.items()
    }
