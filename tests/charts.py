"""Small charts for tests, written as a reader would say them: minutes from the admission, one word a record.

`chart(480, target(0), reading(0, 90))` is a stay of eight hours under 88-92 % with one reading of 90 %.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from pipeline.vocabulary import TABLES, Kind

ADMITTED = datetime(2026, 1, 10)
Record = tuple[str, dict[str, Any]]
Tables = dict[str, list[dict[str, Any]]]


def ward(at: int, name: str) -> Record:
    return "wards", {"entered_at": at, "ward": name}


def reading(at: int, spo2_percent: float, rate: float | None = None) -> Record:
    return "readings", {"taken_at": at, "spo2_percent": float(spo2_percent), "respiratory_rate": rate}


def device(
    at: int, name: str, flow: float | None = None, fio2: float | None = None, until: int | None = None
) -> Record:
    row = {"started_at": at, "device": name, "flow_l_min": flow, "fio2_fraction": fio2, "ended_at": until}
    return "devices", row


def target(at: int, lower: float = 88, upper: float = 92, until: int | None = None) -> Record:
    row = {
        "prescribed_at": at,
        "lower_percent": float(lower),
        "upper_percent": float(upper),
        "stopped_at": until,
    }
    return "targets", row


def gas(
    at: int, pco2_kpa: float | None = None, ph: float | None = None, sample_type: str = "arterial", **others: float
) -> Record:
    """`others`: po2_kpa, bicarbonate_mmol_l, fio2_fraction."""
    return "gases", {"taken_at": at, "sample_type": sample_type, "pco2_kpa": pco2_kpa, "ph": ph} | others


def flag(at: int, name: str, until: int | None = None) -> Record:
    return "flags", {"flagged_at": at, "flag": name, "until_at": until}


def chart(
    minutes: int | None,
    *records: Record,
    stay_id: str = "s",
    patient_key: str = "p",
    admitted: datetime = ADMITTED,
) -> Tables:
    """The tables of one stay of that many minutes (None: still open)."""

    def moment(offset: int) -> datetime:
        return admitted + timedelta(minutes=offset)

    tables: Tables = {name: [] for name in TABLES}
    tables["stays"].append(
        {
            "stay_id": stay_id,
            "patient_key": patient_key,
            "admitted_at": admitted,
            "discharged_at": None if minutes is None else moment(minutes),
        }
    )
    for name, row in records:
        times = {column.name for column in TABLES[name].columns if column.kind == Kind.TIME}
        tables[name].append(
            {"stay_id": stay_id}
            | {
                column: moment(value) if column in times and value is not None else value
                for column, value in row.items()
            }
        )
    return tables


def together(charts: Iterable[Tables]) -> Tables:
    """Several stays in one set of tables."""
    tables: Tables = {name: [] for name in TABLES}
    for one in charts:
        for name, rows in one.items():
            tables[name] += rows
    return tables
