"""Small stores filled with made-up stays, straight into their tables: no file is read."""

from datetime import datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.measure import insert
from pipeline.store import create_tables, set_fact
from pipeline.vocabulary import TABLES

Tables = dict[str, list[dict[str, Any]]]

WARDS = ("Alder", "Birch", "Cedar")
DEVICES = (
    ("room_air", None, None),
    ("nasal_cannula", 2.0, None),
    ("nasal_cannula", 4.0, None),
    ("air_entrainment_mask", 4.0, 0.28),
    ("simple_mask", 6.0, None),
    ("reservoir_mask", 15.0, None),
    ("other", None, None),
)
# A month without anybody lies between the first and the second.
MONTHS = ("2025-09", "2025-11", "2025-12", "2026-01")


def empty_store(zone: str = "Europe/London") -> duckdb.DuckDBPyConnection:
    """A store as the tool makes it, in memory, without a stay."""
    connection = duckdb.connect()
    create_tables(connection)
    set_fact(connection, "data_version", "0")
    set_fact(connection, "zone", zone)
    return connection


def store_with(tables: Tables, zone: str = "Europe/London") -> duckdb.DuckDBPyConnection:
    """A store that holds these rows, as after a load: the stays of a patient have numbers next to each other."""
    connection = empty_store(zone)
    by_patient = sorted(tables["stays"], key=lambda row: (row["patient_key"], row["admitted_at"], row["stay_id"]))
    number = {row["stay_id"]: position for position, row in enumerate(by_patient, start=1)}
    for name, table in TABLES.items():
        rows = [{"stay_no": number[row["stay_id"]], **row} for row in tables.get(name, [])]
        if not rows:
            continue
        if name == "stays":
            as_of = max(row["discharged_at"] for row in tables["stays"])
            rows = [{"as_of": as_of, **row} for row in rows]
        known = ["stay_no", *(["as_of"] if name == "stays" else []), *table.column_names]
        frame = pl.DataFrame(rows, infer_schema_length=None)
        in_table = connection.table(name).columns
        columns = [column for column in known if column in frame.columns and column in in_table]
        insert(connection, name, frame.select(columns).sort("stay_no", table.at))
    set_fact(connection, "data_version", "1")
    return connection


def made_up_stays(number: int = 60, seed: int = 1) -> Tables:
    """Stays of fewer patients, over the ends of months and of a year; every time is a whole minute."""
    rng = np.random.default_rng(seed)
    first_days = [datetime(int(month[:4]), int(month[5:]), 1) for month in MONTHS]
    tables: Tables = {name: [] for name in TABLES}
    free_from: dict[str, datetime] = {}
    for position in range(number):
        patient = f"P{rng.integers(0, number * 2 // 3):03d}"
        start = first_days[position % len(MONTHS)] + _minutes(rng.integers(0, 27 * 24 * 60))
        start = max(start, free_from.get(patient, start))
        end = start + _minutes(rng.integers(5 * 60, (3 if position % len(MONTHS) == 0 else 9) * 24 * 60))
        free_from[patient] = end
        stay = {"stay_id": f"S{position:03d}", "patient_key": patient, "admitted_at": start, "discharged_at": end}
        tables["stays"].append(stay)
        _chart(tables, stay["stay_id"], start, end, rng)
    return tables


def _minutes(number: Any) -> timedelta:
    return timedelta(minutes=int(number))


def _chart(tables: Tables, stay_id: str, start: datetime, end: datetime, rng: np.random.Generator) -> None:
    def some(most: int, least: int = 0) -> list[datetime]:
        length = int((end - start).total_seconds()) // 60
        times = sorted(set(rng.integers(0, length, rng.integers(least, most + 1)).tolist()))
        return [start + _minutes(time) for time in times]

    usual = 88.0 if rng.random() < 0.4 else 94.0
    for at in some(3):
        tables["wards"].append({"stay_id": stay_id, "entered_at": at, "ward": str(rng.choice(WARDS))})
    for at in some(30):
        spo2 = float(rng.integers(84, 101))
        tables["readings"].append({"stay_id": stay_id, "taken_at": at, "spo2_percent": spo2})
    for at in some(6):
        device, flow, recorded = DEVICES[rng.integers(0, len(DEVICES))]
        tables["devices"].append(
            {
                "stay_id": stay_id,
                "started_at": at,
                "device": device,
                "flow_l_min": flow,
                "fio2_fraction": recorded,
                "ended_at": None if rng.random() < 0.7 else at + _minutes(rng.integers(1, 2000)),
            }
        )
    for at in some(2, least=int(rng.random() < 0.8)):
        tables["targets"].append(
            {
                "stay_id": stay_id,
                "prescribed_at": at,
                "lower_percent": usual,
                "upper_percent": usual + 4,
                "stopped_at": None if rng.random() < 0.8 else at + _minutes(rng.integers(1, 4000)),
            }
        )
    for at in some(3):
        tables["gases"].append(
            {
                "stay_id": stay_id,
                "taken_at": at,
                "sample_type": str(rng.choice(["arterial", "capillary", "venous"])),
                "ph": round(float(rng.normal(7.36, 0.06)), 2),
                "pco2_kpa": round(float(rng.normal(6.0, 1.2)), 1),
            }
        )
    for at in some(1):
        flag = str(rng.choice(["copd", "oxygen_alert", "critical_care"]))
        until = None if rng.random() < 0.3 else at + _minutes(rng.integers(1, 2000))
        tables["flags"].append({"stay_id": stay_id, "flagged_at": at, "flag": flag, "until_at": until})
