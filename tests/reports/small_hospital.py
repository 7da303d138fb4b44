"""Invented small hospitals, patient by patient, measured by the tool's own pooling; and the truth about their patients.

One stay a patient and month. Only the tables that the pages for the board read are filled.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import duckdb
import numpy as np
import polars as pl

from pipeline.catalogue import read_measures
from pipeline.measure import insert
from pipeline.month_rollup import month_tables
from pipeline.rollup import measure_summary
from tests.stores import empty_store

MONTHS = ("2026-04", "2026-05")
AS_OF = datetime(2026, 6, 1, 4, 17)
WARDS = ("Alder", "Birch", "Cedar", "Linden")
TARGET, IN_HOUR = "oxygen_stays_with_target", "target_within_hour"
AVOIDABLE, RE_CHECKED = "avoidable_episodes", "repeat_gas_in_time"


@dataclass(frozen=True)
class Patient:
    """What one patient adds to one month. episodes: for each, whether it was avoidable and re-checked in time."""

    key: str
    month: str
    retainer: bool
    evidence: str
    ward: str
    observed: bool
    episodes: tuple[tuple[bool, bool], ...]
    on_oxygen: bool
    target: bool
    in_hour: bool


@dataclass(frozen=True)
class Sizes:
    """How large the hospital is and how common things are in it; patients by month.

    evenness: of its wards, the concentration of a Dirichlet distribution; under 1 some wards are nearly empty.
    """

    retainers: tuple[int, int]
    others: tuple[int, int]
    episode: float
    avoidable: float
    re_checked: float
    target: float
    in_hour: float
    wards: int
    evenness: float
    seed: int


def made_up(sizes: Sizes) -> list[Patient]:
    """The patients of a hospital of these sizes."""
    rng = np.random.default_rng(sizes.seed)
    weights = rng.dirichlet([sizes.evenness] * sizes.wards)
    found: list[Patient] = []
    for place, month in enumerate(MONTHS):
        for retainer, count in ((True, sizes.retainers[place]), (False, sizes.others[place])):
            for _ in range(count):
                number = int(rng.integers(1, 4)) if retainer and rng.random() < sizes.episode else 0
                target = bool(rng.random() < sizes.target)
                found.append(
                    Patient(
                        key=f"{len(found):05d}",
                        month=month,
                        retainer=retainer,
                        evidence=str(rng.choice(["gas", "history", "target"])),
                        ward=str(rng.choice(WARDS[: sizes.wards], p=weights)),
                        observed=bool(rng.random() < 0.95),
                        episodes=tuple(
                            (bool(rng.random() < sizes.avoidable), bool(rng.random() < sizes.re_checked))
                            for _ in range(number)
                        ),
                        on_oxygen=bool(rng.random() < 0.7),
                        target=target,
                        in_hour=target and bool(rng.random() < sizes.in_hour),
                    )
                )
    return found


def store_of(patients: list[Patient]) -> duckdb.DuckDBPyConnection:
    """A measured store of these patients, in memory."""
    con = empty_store()
    rows = list(enumerate(patients, start=1))
    insert(con, "stays", pl.DataFrame([_stay(number, each) for number, each in rows]))
    insert(con, "stay_month_time", pl.DataFrame([_time(each) for each in patients]))
    evidence = [
        {"stay_id": f"S{each.key}", "patient_key": f"P{each.key}", "retainer_ever": each.evidence}
        for each in patients
        if each.retainer
    ]
    if evidence:
        insert(con, "retainers", pl.DataFrame(evidence))
    _episodes(con, rows)
    measured = [row for each in patients for row in _measured(each)]
    if measured:
        insert(con, "measure_rows", pl.DataFrame(measured))
    for table in ("stays", "wards", "readings", "devices", "targets", "gases", "flags"):
        con.execute(
            "insert into load_ledger values (1, ?, ?, ?, ?, 10, 10, 0, 0, 0, 0, 0, 'Europe/London', ?, '0.1.0')",
            [AS_OF, table, f"{table}.csv", f"{len(table):02d}" * 32, AS_OF],
        )
    insert(con, "measure_summary", measure_summary(con, read_measures()))
    summary, changes = month_tables(con)
    insert(con, "month_summary", summary)
    insert(con, "month_changes", changes)
    return con


def _start(each: Patient) -> datetime:
    return datetime(int(each.month[:4]), int(each.month[5:]), 3, 11, 42)


def _stay(number: int, each: Patient) -> dict[str, object]:
    ids = {"stay_no": number, "stay_id": f"S{each.key}", "patient_key": f"P{each.key}"}
    return ids | {"admitted_at": _start(each), "discharged_at": _start(each) + timedelta(days=4), "as_of": AS_OF}


def _time(each: Patient) -> dict[str, object]:
    seconds = 3_000 + int(each.key) * 37 % 90_000
    below, above = seconds * (int(each.key) % 7) // 50, seconds * (int(each.key) % 5) // 20
    seen = int(each.observed)
    ids = {"stay_id": f"S{each.key}", "patient_key": f"P{each.key}", "month": each.month, "ward": each.ward}
    return ids | {
        "retainer_group": "retainer" if each.retainer else "other",
        "below_s": seen * below,
        "within_s": seen * (seconds - below - above),
        "above_on_oxygen_s": seen * above,
        "above_on_air_s": 0,
        "above_device_unknown_s": 0,
        "unobserved_s": seconds // 3,
        "no_target_s": seconds // 9,
        "excluded_s": 0,
        "unobserved_on_oxygen_s": seconds // 12,
        "unobserved_on_air_s": seconds // 5,
        "readings": seen * 9,
        "readings_below": seen,
        "readings_within": seen * 6,
        "readings_above_on_oxygen": seen,
    }


def _episodes(con: duckdb.DuckDBPyConnection, rows: list[tuple[int, Patient]]) -> None:
    """The episodes, and the rows of the timeline on which they start."""
    found = pl.DataFrame([one for number, each in rows for one in _of_patient(number, each)])
    if not found.height:
        return
    conditions = found.select("condition_no", "stay_id", "patient_key", "ward", "month", retainer_ever=pl.lit("gas"))
    insert(con, "conditions", conditions)
    span = {"seconds": 3600, "spo2_percent": 95, "band_state": pl.lit("above_on_oxygen"), "readings": 1}
    insert(con, "spans", found.select("condition_no", "started_at", **span, last_reading_s=0))
    fractions = {"peak_fio2": 0.4, "mean_fio2": 0.4}
    words = {"device_at_peak": pl.lit("simple_mask"), "retainer_ever": pl.lit("gas")}
    seconds = {"high_s": 3600, "below_s": 0, "within_s": 0, "above_on_oxygen_s": 3600, "unobserved_s": 0}
    told = ("stay_id", "started_at", "ended_at", "ward", "repeat_gas_in_time", "saturation_during")
    insert(con, "high_fio2_episodes", found.select(*told, **fractions, **words, **seconds))


def _of_patient(number: int, each: Patient) -> Iterator[dict[str, object]]:
    for place, (avoidable, re_checked) in enumerate(each.episodes):
        started = _start(each) + timedelta(hours=5 * place, minutes=7)
        yield {
            "condition_no": number * 2**34 + int(started.replace(tzinfo=UTC).timestamp()),
            "stay_id": f"S{each.key}",
            "patient_key": f"P{each.key}",
            "ward": each.ward,
            "month": each.month,
            "started_at": started,
            "ended_at": started + timedelta(hours=1),
            "repeat_gas_in_time": re_checked,
            "saturation_during": "above" if avoidable else "within",
        }


def _measured(each: Patient) -> list[dict[str, object]]:
    found: list[tuple[str, int, int]] = []
    if each.episodes:
        found.append((AVOIDABLE, sum(avoidable for avoidable, _ in each.episodes), len(each.episodes)))
        found.append((RE_CHECKED, sum(checked for _, checked in each.episodes), len(each.episodes)))
    time = _time(each)
    seen = {name: int(str(time[f"{name}_s"])) for name in ("below", "within", "above_on_oxygen")}
    if each.observed:
        found += [(f"share_{name}", seconds, sum(seen.values())) for name, seconds in seen.items()]
    if each.on_oxygen:
        found += [(TARGET, int(each.target), 1), (IN_HOUR, int(each.in_hour), 1)]
    ids = {"stay_id": f"S{each.key}", "patient_key": f"P{each.key}", "ward": each.ward, "month": each.month}
    group = "retainer" if each.retainer else "other"
    return [
        ids | {"measure_id": measure, "group": group, "numerator": float(part), "denominator": float(whole)}
        for measure, part, whole in found
    ]
