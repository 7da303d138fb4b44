"""An invented store that has been measured: believable figures, awkward names, months and wards without data.

Only the tables a report reads are filled, straight with figures: nothing here was computed from readings.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.catalogue import read_measures
from pipeline.store import create_tables
from reports.wording import month_before, months_up_to

LAST_MONTH = "2026-05"
MONTHS = tuple(months_up_to(LAST_MONTH, 14))
AS_OF = datetime(2026, 6, 3, 6, 0)
HOSTILE = "<script>alert(1)</script>\" onload='x' & Co"
VERY_LONG = "Ward of the very long name that nobody ever says in full but every table has to carry " * 2
WARDS = ("Alder", "Birch", "Cedar", HOSTILE, "Linden", VERY_LONG.strip())
TINY_WARD = "Linden"
MONTH_WITHOUT_DATA = "2025-09"
SHARES = ("share_below", "share_within", "share_above_on_oxygen")
# Those of the first screen, and of each kind one. A page with no more is made in half the time: for tests of what a
# scenario does to the rest of it.
FEW_MEASURES = (
    *SHARES,
    "avoidable_episodes",
    "high_fio2_episode_rate",
    "minutes_to_repeat_gas",
    "oxygen_stays_with_target",
    "repeat_gas_in_time",
    "target_within_hour",
)


@dataclass(frozen=True)
class Scenario:
    """What the invented hospital is like in the last month; shares are below and above on oxygen, as fractions.

    measures: those with figures; null: every one of the catalogue.
    """

    retainers: int = 96
    others: int = 341
    observed: bool = True
    months: tuple[str, ...] = MONTHS
    episodes: int = 29
    retainer_shares: tuple[float, float] = (0.091, 0.142)
    retainer_shares_before: tuple[float, float] = (0.094, 0.198)
    half_width: float = 0.02
    measures: tuple[str, ...] | None = None


def fabricated_store(path: Path, scenario: Scenario | None = None) -> Path:
    """Writes the store and returns its path."""
    scenario = scenario or Scenario()
    with duckdb.connect(str(path)) as con:
        create_tables(con)
        summary = _month_summary(scenario)
        _insert(con, "month_summary", summary)
        _insert(con, "month_changes", _month_changes(summary, scenario.half_width))
        _insert(con, "measure_summary", _measure_summary(scenario, summary))
        _insert(con, "high_fio2_episodes", _episodes(scenario))
        _stays(con, scenario)
        if scenario.observed:
            _where(con, scenario)
        _ledger(con)
    return path


def _insert(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    con.register("incoming", frame.to_arrow())
    con.execute(f"insert into {table} by name select * from incoming")
    con.unregister("incoming")


def _month_summary(scenario: Scenario) -> pl.DataFrame:
    rng = np.random.default_rng(7)
    rows = []
    for month in scenario.months:
        if month == MONTH_WITHOUT_DATA:
            continue
        for group, patients in (("retainer", scenario.retainers), ("other", scenario.others)):
            parts = _shared_out(patients)
            for ward, count in zip(WARDS, parts, strict=True):
                if count:
                    rows.append(_row(scenario, month, ward, group, count, rng))
            if patients:
                rows.append(_row(scenario, month, None, group, patients, rng))
        for ward, counts in zip(
            WARDS, zip(_shared_out(scenario.retainers), _shared_out(scenario.others), strict=True), strict=True
        ):
            if sum(counts):
                rows.append(_row(scenario, month, ward, None, sum(counts), rng))
        if scenario.retainers + scenario.others:
            rows.append(_row(scenario, month, None, None, scenario.retainers + scenario.others, rng))
    return pl.DataFrame(rows, infer_schema_length=None)


def _shared_out(patients: int) -> list[int]:
    shares = (0.2, 0.25, 0.2, 0.15, 0.02, 0.18)
    return [round(patients * share) for share in shares]


def _row(
    scenario: Scenario, month: str, ward: str | None, group: str | None, patients: int, rng: np.random.Generator
) -> dict[str, object]:
    below, above = _shares(scenario, month, group)
    if ward is not None:
        below, above = below + 0.004 * rng.standard_normal(), above + 0.02 * rng.standard_normal()
    width = scenario.half_width * (340 / patients) ** 0.5 / 1.5
    total = patients * 2.4 * 86_400
    observed = total * 0.71 if scenario.observed else 0
    on_air, unknown = 0.03, 0.004
    within = 1 - below - above - on_air - unknown
    shares = dict(zip(SHARES, (below, within, above), strict=True))
    row: dict[str, object] = {
        "month": month,
        "ward": ward,
        "group": group,
        "patients": patients,
        "patients_observed": patients if scenario.observed else 0,
        "stays": round(patients * 1.1),
        "below_s": round(observed * below),
        "within_s": round(observed * within),
        "above_on_oxygen_s": round(observed * above),
        "above_on_air_s": round(observed * on_air),
        "above_device_unknown_s": round(observed * unknown),
        "unobserved_s": round(total * 0.2),
        "unobserved_on_oxygen_s": round(total * 0.05),
        "unobserved_on_air_s": round(total * 0.14),
        "no_target_s": round(total * 0.09),
        "excluded_s": round(total * 0.03),
        "readings": round(observed / 14_000),
        "episodes": 0,
        "episodes_above": 0,
        "episodes_without_gas_in_time": 0,
    }
    for name, share in shares.items():
        known = scenario.observed
        row[name] = share if known else None
        row[f"{name}_low"] = max(share - width, 0) if known else None
        row[f"{name}_high"] = min(share + width, 1) if known else None
        row[f"reading_{name}"] = share * 0.99 if known else None
    for end, by in (("median", 0.03), ("q1", -0.12), ("q3", 0.15), ("median_low", 0.01), ("median_high", 0.05)):
        row[f"patient_share_within_{end}"] = min(within + by, 1) if scenario.observed else None
    if group != "other":
        episodes = scenario.episodes if month == scenario.months[-1] else scenario.episodes + 7
        row["episodes"] = episodes if ward is None else episodes // 6
        row["episodes_above"] = round(row["episodes"] * 0.6)  # type: ignore[operator]
        row["episodes_without_gas_in_time"] = round(row["episodes"] * 0.4)  # type: ignore[operator]
    return row


def _shares(scenario: Scenario, month: str, group: str | None) -> tuple[float, float]:
    if group == "retainer":
        if month == scenario.months[-1]:
            return scenario.retainer_shares
        before = scenario.months.index(month)
        below, above = scenario.retainer_shares_before
        return below + 0.002 * np.sin(before), above + 0.006 * (len(scenario.months) - 2 - before)
    return 0.052 + 0.003 * float(np.sin(len(month + str(group)) + int(month[-2:]))), 0.058


def _month_changes(summary: pl.DataFrame, half_width: float) -> pl.DataFrame:
    before = summary.with_columns(
        pl.col("month").map_elements(lambda month: month_before(month, -1), return_dtype=pl.String)
    )
    both = summary.join(before, on=["month", "ward", "group"], suffix="_before", nulls_equal=True)
    columns = []
    for name in SHARES:
        change = pl.col(name) - pl.col(f"{name}_before")
        width = half_width * (340 / pl.col("patients")).sqrt()
        columns += [
            change.alias(f"{name}_change"),
            (change - width).alias(f"{name}_change_low"),
            (change + width).alias(f"{name}_change_high"),
        ]
    return both.select("month", "ward", "group", *columns)


def _measure_summary(scenario: Scenario, summary: pl.DataFrame) -> pl.DataFrame:
    """The measures of the scenario in every cell of the summary; one median is not reached in the last month."""
    scale = {"share": 1.0, "rate": 30.0, "median": 90.0}
    parts = []
    for number, measure in enumerate(read_measures()):
        if scenario.measures is not None and measure.id not in scenario.measures:
            continue
        result = pl.col("patients") % 17 / 40 + (0.1 + number / 30) * scale[measure.kind]
        rows = summary.select("month", "ward", "group", "patients").with_columns(
            measure_id=pl.lit(measure.id),
            events=pl.col("patients") * 3,
            numerator=pl.col("patients") * 1.0,
            denominator=pl.col("patients") * 3.0,
            result=result,
            low=result * 0.9,
            high=result * 1.1,
        )
        if measure.kind == "median":
            gone = (pl.col("month") == LAST_MONTH) & pl.col("ward").is_null()
            rows = rows.with_columns(
                pl.when(~gone).then(pl.col(name)).alias(name) for name in ("result", "low", "high")
            )
        parts.append(rows)
    return pl.concat(parts)


def _episodes(scenario: Scenario) -> pl.DataFrame:
    rng = np.random.default_rng(11)
    kinds = ("above", "above", "within", "above", "below", "none")
    devices = ("simple_mask", "reservoir_mask", "air_entrainment_mask", "nasal_cannula", "high_flow_nasal")
    rows = []
    for number in range(scenario.episodes):
        started = datetime(2026, 5, 1, 3, 20) + timedelta(minutes=int(rng.integers(0, 43_000)))
        high = int(rng.integers(1_800, 60_000))
        kind = kinds[number % len(kinds)]
        above = int(high * rng.uniform(0.2, 1)) if kind == "above" else 0
        within = (high - above) // 2 if kind != "none" else 0
        before, after = number % 3 != 0, number % 4 != 0
        minutes = float(rng.integers(20, 240))
        pco2 = 6.2 + 2 * float(rng.random())
        rows.append(
            {
                "stay_id": f"S{number:04d}",
                "started_at": started,
                "ended_at": started + timedelta(seconds=high + 600),
                "high_s": high,
                "peak_fio2": (0.5, 0.95, 0.35, 0.36, 0.6)[number % 5],
                "mean_fio2": 0.34,
                "device_at_peak": devices[number % 5],
                "ward": WARDS[number % len(WARDS)] if number % 9 else None,
                "lower_percent": 88.0 if number % 7 else None,
                "upper_percent": 92.0 if number % 7 else None,
                "retainer_at_start": ("gas", "history", None, "target")[number % 4],
                "retainer_ever": ("gas", "history", "gas", "target")[number % 4],
                "below_s": high - above - within if kind == "below" else 0,
                "within_s": within,
                "above_on_oxygen_s": above,
                "unobserved_s": high if kind == "none" else 0,
                "spo2_min": None if kind == "none" else 86.0,
                "spo2_max": None if kind == "none" else 97.0,
                "gas_before_at": started - timedelta(minutes=90) if before else None,
                "gas_before_pco2_kpa": pco2 if before else None,
                "gas_before_ph": 7.34 if before else None,
                "gas_after_at": started + timedelta(minutes=minutes) if after else None,
                "gas_after_pco2_kpa": pco2 + 0.9 if after else None,
                "gas_after_ph": 7.31 if after and number % 5 else None,
                "gas_after_minutes": minutes if after else None,
                "repeat_gas_in_time": after and minutes <= 60,
                "acidosis_after": True if after and number % 5 else None,
                "saturation_during": kind,
            }
        )
    return (
        pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame({"stay_id": []}, {"stay_id": pl.String})
    )


def _stays(con: duckdb.DuckDBPyConnection, scenario: Scenario) -> None:
    patients = scenario.retainers + scenario.others
    evidence = ("gas", "history", "target")
    numbers = range(max(patients, 1))
    stays = pl.DataFrame({"stay_no": numbers, **_keys(numbers)})
    stays = stays.with_columns(admitted_at=datetime(2026, 5, 20), as_of=AS_OF, site=pl.lit("North"))
    _insert(con, "stays", stays)
    group = pl.Series("retainer_group", ["retainer" if n < scenario.retainers else "other" for n in numbers])
    counted = [column for column, kind, *_ in con.execute("describe stay_month_time").fetchall() if kind != "VARCHAR"]
    nothing = (pl.lit(0).alias(column) for column in counted)
    _insert(
        con, "stay_month_time", pl.DataFrame(_keys(numbers)).with_columns(group, *nothing, month=pl.lit(LAST_MONTH))
    )
    known = range(scenario.retainers)
    _insert(con, "retainers", pl.DataFrame({**_keys(known), "retainer_ever": [evidence[n % 3] for n in known]}))
    con.executemany(
        "insert into conditions values (?, ?, ?, null, null, ?, ?, ?, ?, ?, ?, true, 88, 92, null, 'gas', 'gas')",
        [
            (1, "S0000", "P0000", LAST_MONTH, "simple_mask", 6.0, 0.5, 0.3, 0.6),
            (2, "S0001", "P0001", LAST_MONTH, "reservoir_mask", 15.0, 0.95, 0.6, 0.95),
            (3, "S0002", "P0002", LAST_MONTH, "air_entrainment_mask", 8.0, 0.35, 0.335, 0.37),
        ],
    )


def _keys(numbers: range) -> dict[str, list[str]]:
    return {"stay_id": [f"S{n:04d}" for n in numbers], "patient_key": [f"P{n:04d}" for n in numbers]}


def _where(con: duckdb.DuckDBPyConnection, scenario: Scenario) -> None:
    """Ten observed hours of each CO2 retainer, and a run above the band of every third.

    Above on oxygen for four of them on a simple mask, for one on a cannula; half of each patient's time is at night.
    """
    rows: list[dict[str, object]] = []
    stays: list[dict[str, object]] = []
    for number in range(scenario.retainers):
        above = 4.0 if number % 2 else 1.0
        hours = {"below_s": 0.5 + number % 3 / 4, "above_on_oxygen_s": above, "above_on_air_s": 0.4}
        hours["within_s"] = 10 - sum(hours.values())
        places = {
            "part_of_day": ["00-04", "08-12"],
            "day": ["weekday"] if number % 5 else ["weekday", "weekend"],
            "device": ["simple_mask" if number % 2 else "nasal_cannula"],
            "target": ["94-98" if number % 6 == 0 else "88-92"],
        }
        seconds = {name: round(3600 * value) for name, value in hours.items()} | {"above_device_unknown_s": 0}
        for dimension, values in places.items():
            for value in values:
                row = {"stay_id": f"S{number:04d}", "month": LAST_MONTH, "dimension": dimension, "value": value}
                rows.append(row | {name: each // len(values) for name, each in seconds.items()})
        stays.append({"stay_id": f"S{number:04d}", "ward": WARDS[number % len(WARDS)], **seconds})
    if rows:
        _insert(con, "where_it_happened", pl.DataFrame(rows))
        con.register("incoming", pl.DataFrame(stays).to_arrow())
        columns = ("ward", "below_s", "within_s", "above_on_oxygen_s", "above_on_air_s")
        into = ", ".join(f"{column} = incoming.{column}" for column in columns)
        con.execute(f"update stay_month_time as kept set {into} from incoming where incoming.stay_id = kept.stay_id")
        con.unregister("incoming")
    _insert(con, "excess_runs", _runs(scenario.retainers // 3))


def _runs(patients: int) -> pl.DataFrame:
    rows = [
        {
            "stay_id": f"S{3 * number:04d}",
            "ward": WARDS[number % len(WARDS)],
            "month": LAST_MONTH,
            "started_at": datetime(2026, 5, 2, 4) + timedelta(hours=7 * number),
            "ended_at": datetime(2026, 5, 2, 11) + timedelta(hours=8 * number),
            "above_s": 3600 * (7 + number),
            "percent_hours": 20.0,
            "highest_above_points": 4.0,
            "upper_percent": 92.0,
            "device": "simple_mask",
            "litres_unknown_s": 0,
            "retainer": "gas",
            "retainer_ever": "gas",
        }
        for number in range(patients)
    ]
    return pl.DataFrame(rows) if rows else pl.DataFrame({"stay_id": []}, {"stay_id": pl.String})


def _ledger(con: duckdb.DuckDBPyConnection) -> None:
    files = (("stays", 2_500, 4), ("readings", 180_204, 31), ("devices", 9_120, 0), ("targets", 3_411, 2))
    clean = (("wards", 4_020, 0), ("gases", 1_204, 0), ("flags", 611, 0))
    for table, rows, aside in files + clean:
        con.execute(
            "insert into load_ledger values (1, ?, ?, ?, ?, ?, ?, 0, 3, ?, ?, 0, 'Europe/London', ?, '0.1.0')",
            [
                datetime(2026, 6, 3, 9),
                table,
                f"{table}.csv.gz",
                "ab12" * 16,
                rows,
                rows - aside - 3,
                aside,
                2 if aside or table == "devices" else 0,
                AS_OF,
            ],
        )
    con.executemany(
        "insert into rejected_rows values (1, ?, ?, 'ab12', ?, ?, ?, ?, '{}')",
        [("readings", "readings.csv.gz", 100 + n, "spo2_percent", "out_of_range", "out of range") for n in range(31)]
        + [("stays", "stays.csv.gz", 7, "admitted_at", "missing_required", "missing required value")]
        + [("targets", "targets.csv.gz", 9, None, "made_up_rule", "a reason <b>nobody</b> foresaw")],
    )
    con.executemany("insert into store_facts values (?, ?)", [("zone", "Europe/London"), ("store_version", "1")])
