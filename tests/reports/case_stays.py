"""Stays made by hand for the case page, charted row by row and measured by the tool itself."""

from datetime import datetime, timedelta
from pathlib import Path

import duckdb

from pipeline.measure import measure_store
from pipeline.policy import read_policy
from pipeline.vocabulary import DEVICES, TABLES
from reports.case import write_case
from tests.reports.fabricated import HOSTILE
from tests.stores import Tables, store_with

PLAIN, HOSTILE_KEY, BARE, LONG = "S-042_a", "<img src=x onerror=alert(1)>/../&", "BARE1", "LONG1"
ADMITTED = datetime(2026, 3, 10, 8)


def at(hour: int, minute: int = 0, day: int = 10) -> datetime:
    return datetime(2026, 3, day, hour, minute)


def worked_out(key: str = PLAIN) -> Tables:
    """Twenty-four hours of a CO2 retainer in March, when London keeps UTC; the tests say what follows from them."""
    readings = [
        (at(8), 97), (at(10), 95), (at(11, 35), 95), (at(12), 90), (at(14), 86), (at(16), 89), (at(23), 91),
        (at(2, day=11), 90),
    ]  # fmt: skip
    devices = [
        (at(8, 30), "nasal_cannula", 4.0, None),
        (at(11), "air_entrainment_mask", 4.0, 0.28),
        (at(12, 30), "bilevel_niv", None, 0.30),
        (at(15), "nasal_cannula", 1.0, None),
    ]
    gases = [
        (at(9, 30), "arterial", 7.30, 7.8, None),
        (at(11, 40), "arterial", 7.34, 7.1, 7.0),
        (at(18), "venous", 7.33, 8.0, None),
    ]
    return {
        "stays": [
            {
                "stay_id": key,
                "patient_key": f"patient of {key}",
                "admitted_at": ADMITTED,
                "discharged_at": ADMITTED + timedelta(days=1),
            }
        ],
        "wards": [
            {"stay_id": key, "ward": HOSTILE, "entered_at": at(8)},
            {"stay_id": key, "ward": "Birch", "entered_at": at(20)},
        ],
        "targets": [{"stay_id": key, "prescribed_at": at(9), "lower_percent": 88.0, "upper_percent": 92.0}],
        "readings": [{"stay_id": key, "taken_at": when, "spo2_percent": float(spo2)} for when, spo2 in readings],
        "devices": [
            {"stay_id": key, "started_at": when, "device": device, "flow_l_min": flow, "fio2_fraction": fio2}
            for when, device, flow, fio2 in devices
        ],
        "gases": [
            {"stay_id": key, "taken_at": when, "sample_type": kind, "ph": ph, "pco2_kpa": pco2, "po2_kpa": po2}
            for when, kind, ph, pco2, po2 in gases
        ],
        "flags": [{"stay_id": key, "flagged_at": at(16, 30), "flag": "critical_care", "until_at": at(17, 30)}],
    }


def bare() -> Tables:
    """Six hours with one reading under a target and nothing else."""
    stay = {
        "stay_id": BARE,
        "patient_key": "P",
        "admitted_at": ADMITTED,
        "discharged_at": ADMITTED + timedelta(hours=6),
    }
    target = {"stay_id": BARE, "prescribed_at": at(8), "lower_percent": 94.0, "upper_percent": 98.0}
    reading = {"stay_id": BARE, "taken_at": at(9), "spo2_percent": 96.0}
    return {"stays": [stay], "targets": [target], "readings": [reading]}


def long_and_full() -> Tables:
    """Thirty days over the change of clocks, with three wards, every device, fifteen gases and an exclusion."""
    start = datetime(2026, 3, 10, 8)
    readings = [
        {
            "stay_id": LONG,
            "taken_at": start + timedelta(hours=4.5 * n),
            "spo2_percent": float(84 + n * 7 % 15),
            "respiratory_rate": float(14 + n * 5 % 19) if n % 4 else None,
        }
        for n in range(158)
    ]
    devices = [
        {
            "stay_id": LONG,
            "started_at": start + timedelta(hours=13 * n),
            "device": DEVICES[n % len(DEVICES)],
            "flow_l_min": float(1 + n % 9),
            "fio2_fraction": (0.24, 0.28, 0.35)[n % 3] if DEVICES[n % len(DEVICES)] == "air_entrainment_mask" else None,
        }
        for n in range(54)
    ]
    kinds = ("arterial", "capillary", "venous")
    gases = [
        {
            "stay_id": LONG,
            "taken_at": start + timedelta(hours=1 + 45 * n),
            "sample_type": kinds[n % 3],
            "ph": 7.26 + 0.013 * (n % 10),
            "pco2_kpa": 5.4 + 0.4 * (n % 8),
            "po2_kpa": 7.5 + n % 4,
        }
        for n in range(15)
    ]
    wards = ("Alder", "Birch", "Cedar")
    return {
        "stays": [
            {
                "stay_id": LONG,
                "patient_key": "P9",
                "admitted_at": start,
                "discharged_at": start + timedelta(days=30),
            }
        ],
        "wards": [
            {"stay_id": LONG, "ward": ward, "entered_at": start + timedelta(days=9 * n)} for n, ward in enumerate(wards)
        ],
        "targets": [
            {
                "stay_id": LONG,
                "prescribed_at": start + timedelta(hours=5),
                "lower_percent": 94.0,
                "upper_percent": 98.0,
            },
            {"stay_id": LONG, "prescribed_at": start + timedelta(days=3), "lower_percent": 88.0, "upper_percent": 92.0},
        ],
        "readings": readings,
        "devices": devices,
        "gases": gases,
        "flags": [
            {
                "stay_id": LONG,
                "flagged_at": start + timedelta(days=12),
                "flag": "theatre",
                "until_at": start + timedelta(days=12, hours=9),
            }
        ],
    }


def monitored(days: int = 30) -> Tables:
    """A reading every minute for days, up and down over both limits."""
    tables = bare()
    stay = tables["stays"][0]
    stay["discharged_at"] = stay["admitted_at"] + timedelta(days=days)
    tables["readings"] = [
        {
            "stay_id": BARE,
            "taken_at": stay["admitted_at"] + timedelta(minutes=n),
            "spo2_percent": float(91 + n * n % 9),
            "respiratory_rate": float(12 + n * n % 13),
            "source": "monitor",
        }
        for n in range(days * 24 * 60)
    ]
    return tables


def measured_store(*stays: Tables) -> duckdb.DuckDBPyConnection:
    """A store of these stays as after a load of the tables that hold anything, measured."""
    together: Tables = {name: [row for tables in stays for row in tables.get(name, [])] for name in TABLES}
    con = store_with(together)
    for name, rows in together.items():
        if rows:
            con.execute(
                "insert into load_ledger values (1, ?, ?, ?, 'ab12', ?, ?, 0, 0, 0, 0, 0, 'Europe/London', ?, '0.1.0')",
                [datetime(2026, 5, 1), name, f"{name}.csv", len(rows), len(rows), datetime(2026, 5, 1)],
            )
    measure_store(con, read_policy(None))
    return con


def case_text(con: duckdb.DuckDBPyConnection, folder: Path, key: str) -> str:
    """The page of one stay as text."""
    return write_case(con, folder, key, read_policy(None)).read_text(encoding="utf-8")
