"""A small made-up load that stands settled in the `incoming_` tables and keeps every contract, for tests to spoil.

Two weeks in May and June 2026 (summer time in London throughout), twenty stays of five days, two wards, a reading
every four hours at saturations that all occur equally often, and of everything else what is usual.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.intake.stage import create_incoming
from pipeline.vocabulary import TABLES
from tests.stores import empty_store

ZONE = "Europe/London"
FIRST = datetime(2026, 5, 25, 6)
STAYS = 40
SPO2 = (89.0, 91.0, 93.0, 95.0, 97.0, 99.0, 88.0, 90.0, 92.0, 94.0, 96.0, 98.0, 87.0)
Rows = dict[str, list[dict[str, Any]]]


def ordinary_rows() -> Rows:
    """The rows of the load, by table; every time is UTC."""
    rows: Rows = {name: [] for name in TABLES}
    for number in range(STAYS):
        stay_id, start = f"S{number:03}", FIRST + timedelta(hours=6 * number)
        end = start + timedelta(days=5)
        rows["stays"].append(
            {"stay_id": stay_id, "patient_key": f"P{number:03}", "admitted_at": start, "discharged_at": end}
        )
        ward = ("Alder", "Birch")[number % 2]
        rows["wards"].append({"stay_id": stay_id, "ward": ward, "entered_at": start})
        rows["targets"].append(
            {"stay_id": stay_id, "prescribed_at": start, "lower_percent": 88.0, "upper_percent": 92.0}
        )
        for step in range(30):
            at = start + timedelta(hours=4 * step)
            value = SPO2[(number * 30 + step) % len(SPO2)]
            rows["readings"].append(
                {"stay_id": stay_id, "taken_at": at, "spo2_percent": value, "respiratory_rate": 18.0}
            )
        for step in range(2):
            at = start + timedelta(days=step)
            rows["devices"].append({"stay_id": stay_id, "started_at": at, "device": "nasal_cannula", "flow_l_min": 2.0})
            rows["gases"].append({"stay_id": stay_id, "taken_at": at, "sample_type": "arterial", "pco2_kpa": 6.1})
    return rows


AS_OF = FIRST + timedelta(hours=6 * (STAYS - 1), days=5)


@contextmanager
def settled(rows: Rows | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """An empty store beside which the rows stand settled; a row is accepted and new unless it says otherwise."""
    with empty_store(ZONE) as connection:
        create_incoming(connection)
        for name, found in (ordinary_rows() if rows is None else rows).items():
            add(connection, name, found)
        yield connection


def add(connection: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, Any]]) -> None:
    """Puts further rows into an incoming table."""
    if rows:
        numbered = [{"file_number": 0, "row_number": place} | row for place, row in enumerate(rows, start=2)]
        frame = pl.DataFrame(numbered, infer_schema_length=None)
        connection.register("arriving", frame)
        connection.execute(f"insert into incoming_{table} by name from arriving")
        connection.unregister("arriving")
