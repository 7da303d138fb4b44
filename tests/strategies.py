"""Invented stays for property tests: every edge of the definitions, often several in one stay.

`cases()` draws one to three stays of one or two patients. Instants come from a small pool for each stay, full of
coincidences and of exact distances (a carry, a join time, the end of the stay), so that edges are met on purpose
and not by luck. No two rows of a table share their identity: such repeats never reach the timeline.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import polars as pl
from hypothesis import strategies as st

from pipeline.policy import Policy, read_policy
from pipeline.vocabulary import DEVICES, EXCLUSION_FLAGS, NEBULISER, RISK_FLAGS, ROOM_AIR, TABLES, Kind
from tests.oracle import DEFAULTS

# Instants in UTC around which stays are laid, by zone: local midnight of a month's first day, and both clock
# changes. Asuncion sprang forward at that very midnight, Havana lives it twice; Lord Howe changes by half an
# hour, St John's and Kathmandu are no whole hours from UTC. Source: the IANA time zone database.
ANCHORS: dict[str, tuple[datetime, ...]] = {
    "Europe/London": (
        datetime(2024, 3, 31, 1, 0),  # spring change; the month ends at 23:00 UTC the same day
        datetime(2024, 3, 31, 23, 0),
        datetime(2025, 8, 31, 23, 0),  # month end in summer time
        datetime(2024, 10, 27, 1, 0),  # autumn change
        datetime(2024, 11, 1, 0, 0),
        datetime(2024, 3, 1, 0, 0),  # after 29 February
        datetime(2026, 1, 1, 0, 0),
    ),
    "America/St_Johns": (
        datetime(2026, 11, 1, 2, 30),  # month end; the clocks go back at 04:30 UTC
        datetime(2026, 3, 8, 5, 30),
        datetime(2026, 5, 1, 2, 30),
    ),
    "Australia/Lord_Howe": (
        datetime(2023, 9, 30, 13, 30),  # month end; the clocks go forward at 15:30 UTC
        datetime(2024, 4, 6, 15, 0),  # the clocks go back
        datetime(2024, 4, 30, 13, 30),
    ),
    "America/Asuncion": (datetime(2023, 10, 1, 4, 0), datetime(2024, 3, 24, 3, 0)),
    "America/Havana": (datetime(2026, 11, 1, 4, 0), datetime(2026, 11, 1, 5, 0)),
    "Asia/Kathmandu": (datetime(2025, 6, 30, 18, 15),),
    "UTC": (datetime(2025, 12, 1, 0, 0),),
}

# The defaults, and two sets under which carries and joins are met in short stays.
THRESHOLD_SETS: tuple[dict[str, float], ...] = (
    DEFAULTS,
    DEFAULTS
    | {
        "reading_carry_hours": 0.5,
        "device_carry_hours": 1,
        "episode_join_minutes": 10,
        "episode_min_minutes": 5,
        "repeat_gas_minutes": 20,
        "nebuliser_carry_minutes": 10,
        "gas_pair_hours": 0.5,
        "reading_near_gas_minutes": 5,
    },
    DEFAULTS | {"high_fio2_above": 0.32, "retainer_pco2_above_kpa": 6.5, "reading_carry_hours": 2},
)

SPO2 = (88.0, 92.0, 87.0, 93.0, 90.0, 94.0, 98.0, 99.0, 100.0, 87.9, 92.1, 70.0)
LIMITS = ((88.0, 92.0), (88.0, 92.0), (94.0, 98.0), (88.0, 93.0), (85.0, 92.0), (92.0, 96.0), (88.0, 92.5))
FLOWS = (None, 0.0, 0.1, 0.5, 1.0, 2.0, 2.0, 2.0, 2.1, 3.0, 4.9, 5.0, 5.0, 6.0, 6.5, 7.0, 8.0, 9.0, 9.9, 10.0)
FRACTIONS = (*(None,) * 10, 0.21, 0.22, 0.24, 0.28, 0.28, 0.29, 0.35, 0.59, 0.6, 0.99, 1.0)
PCO2 = (None, None, 4.5, 5.9995, 6.0, 6.01, 6.01, 6.5, 8.2)
PH = (None, 7.2, 7.2, 7.349, 7.35, 7.351, 7.42)
PO2 = (None, 5.5, 7.0, 8.0, 8.0, 9.5, 12.0)
BICARBONATE = (None, None, 20.0, 25.0, 31.0)
NOTED = (None, None, None, 0.21, 0.28, 0.35, 0.6)
RATES = (None, None, 12.0, 16.0, 16.0, 24.0, 31.0)
WARDS = ("A", "B", "C")
# Devices that give episodes come more often.
LIKELY_DEVICES = (
    *DEVICES,
    NEBULISER,
    ROOM_AIR,
    "nasal_cannula",
    "reservoir_mask",
    "simple_mask",
    "air_entrainment_mask",
    "air_entrainment_mask",
)
LIKELY_FLAGS = (*RISK_FLAGS, *RISK_FLAGS, *EXCLUSION_FLAGS[:4])

Rows = list[dict[str, Any]]


@dataclass(frozen=True)
class Case:
    """One drawn input: tables as lists of rows, the zone, the as-of time and the thresholds."""

    tables: dict[str, Rows]
    zone: str
    as_of: datetime
    thresholds: dict[str, float]


def policy_of(thresholds: Mapping[str, float]) -> Policy:
    """The tool's policy with these thresholds."""
    policy = read_policy()
    parameters = tuple(replace(p, value=thresholds.get(p.name, p.value)) for p in policy.parameters)
    return replace(policy, **thresholds, parameters=parameters)  # type: ignore[arg-type]


def frames(tables: Mapping[str, Rows], as_of: datetime) -> dict[str, pl.DataFrame]:
    """One frame per canonical table, in canonical columns; stays have the as-of time beside them."""
    types: dict[Kind, pl.DataType] = {
        Kind.KEY: pl.String(),
        Kind.TEXT: pl.String(),
        Kind.CODE: pl.String(),
        Kind.NUMBER: pl.Float64(),
        Kind.TIME: pl.Datetime("us"),
    }
    result = {}
    for name, table in TABLES.items():
        schema = {column.name: types[column.kind] for column in table.columns}
        rows = [{column: row.get(column) for column in schema} for row in tables.get(name, [])]
        result[name] = pl.DataFrame(rows, schema=schema)
    result["stays"] = result["stays"].with_columns(as_of=pl.lit(as_of, pl.Datetime("us")))
    return result


@st.composite
def cases(draw: st.DrawFn, grids: tuple[int, ...] = (60, 60, 300, 900), most_hours: int = 60) -> Case:
    """One to three stays; `grids` are the steps in seconds from which one is drawn that all times fall on.

    most_hours: no stay is longer.
    """
    grid = draw(st.sampled_from(grids))
    thresholds = draw(st.sampled_from(THRESHOLD_SETS[1:2] if grid == 1 else THRESHOLD_SETS))
    zone = draw(st.sampled_from(sorted(ANCHORS)))
    anchor = draw(st.sampled_from(ANCHORS[zone]))
    longest = min({1: 90 * 60, 60: 30 * 3600}.get(grid, 60 * 3600), most_hours * 3600) // grid
    tables: dict[str, Rows] = {name: [] for name in TABLES}
    admitted = anchor - timedelta(seconds=grid * draw(st.integers(0, longest // 2)))
    as_of = anchor
    for number in range(draw(st.integers(1, 3))):
        # Now and then a stay ends the moment it begins.
        length = draw(st.integers(longest // 4, longest)) * draw(st.sampled_from((1,) * 11 + (0,)))
        end = admitted + timedelta(seconds=grid * length)
        is_open = draw(st.sampled_from((False, False, False, True)))
        stay_id = f"s{number}"
        tables["stays"].append(
            {
                "stay_id": stay_id,
                "patient_key": draw(st.sampled_from(("p", "p", "q"))),
                "admitted_at": admitted,
                "discharged_at": None if is_open else end,
                "site": draw(st.sampled_from((None, "north"))),
            }
        )
        as_of = max(as_of, end)
        for name, rows in draw(_records(stay_id, admitted, grid, length, thresholds, anchor)).items():
            tables[name] += rows
        # The patient comes back after a while, at the same instant, or (another patient) in between.
        admitted = end + timedelta(seconds=grid * draw(st.sampled_from((0, 1, 30, -length // 2))))
    cut = draw(st.sampled_from((0, 0, 1, longest // 8)))
    opened = max(row["admitted_at"] for row in tables["stays"])
    return Case(tables, zone, max(opened, as_of - timedelta(seconds=grid * cut)), thresholds)


@st.composite
def _records(
    draw: st.DrawFn,
    stay_id: str,
    admitted: datetime,
    grid: int,
    length: int,
    thresholds: Mapping[str, float],
    anchor: datetime,
) -> dict[str, Rows]:
    """All records of one stay."""
    pool = draw(_pool(grid, length, thresholds, int((anchor - admitted).total_seconds()) // grid))
    inside = st.sampled_from([offset for offset in pool if 0 <= offset <= length])
    anywhere = st.sampled_from(pool)

    def at(offset: int) -> datetime:
        return admitted + timedelta(seconds=grid * offset)

    def some(least: int, most: int) -> list[int]:
        """Distinct offsets inside the stay or at its very end; fewer than `least` where the pool is small."""
        offsets = draw(st.lists(inside, min_size=least, max_size=most))
        return sorted(set(offsets))

    def later(offset: int) -> datetime | None:
        """An end for what began at `offset`: none, at once, or any later instant of the pool."""
        ends = [end for end in pool if end >= offset]
        return draw(st.none() | st.sampled_from(ends).map(at))

    def one(values: tuple[Any, ...]) -> Any:
        return draw(st.sampled_from(values))

    flags = draw(st.lists(st.tuples(anywhere, st.sampled_from(LIKELY_FLAGS)), max_size=3, unique=True))
    # Most patients have a target from the start.
    prescribed = sorted({*some(0, 3), *one(((0,), (0,), (0,), ()))})
    started = some(1, 8)
    # Some gases are taken exactly when one is due after a change of device.
    wait = int(thresholds["repeat_gas_minutes"] * 60) // grid
    due = [offset + wait for offset in started if offset + wait <= length]
    sampled = sorted({*some(0, 3), *(one(((), (), tuple(due[:1]), tuple(due[-1:]))))})
    return {
        "wards": [{"stay_id": stay_id, "ward": one(WARDS), "entered_at": at(o)} for o in some(0, 3)],
        "readings": [
            {"stay_id": stay_id, "taken_at": at(o), "spo2_percent": one(SPO2), "respiratory_rate": one(RATES)}
            for o in some(3, 12)
        ],
        "devices": [
            {
                "stay_id": stay_id,
                "started_at": at(o),
                "device": one(LIKELY_DEVICES),
                "flow_l_min": one(FLOWS),
                "fio2_fraction": one(FRACTIONS),
                "ended_at": later(o),
            }
            for o in started
        ],
        "targets": [_target(stay_id, at(o), one(LIMITS), later(o)) for o in prescribed],
        "gases": [
            {
                "stay_id": stay_id,
                "taken_at": at(o),
                "sample_type": one(("arterial", "arterial", "capillary", "venous")),
                "ph": one(PH),
                "pco2_kpa": one(PCO2),
                "po2_kpa": one(PO2),
                "bicarbonate_mmol_l": one(BICARBONATE),
                "fio2_fraction": one(NOTED),
            }
            for o in sampled
        ],
        "flags": [{"stay_id": stay_id, "flagged_at": at(o), "flag": flag, "until_at": later(o)} for o, flag in flags],
    }


def _target(
    stay_id: str, prescribed_at: datetime, limits: tuple[float, float], stopped_at: datetime | None
) -> dict[str, Any]:
    return {
        "stay_id": stay_id,
        "prescribed_at": prescribed_at,
        "lower_percent": limits[0],
        "upper_percent": limits[1],
        "stopped_at": stopped_at,
    }


@st.composite
def _pool(draw: st.DrawFn, grid: int, length: int, thresholds: Mapping[str, float], anchor: int) -> list[int]:
    """Offsets from admission in steps of the grid: the ends, before and after, and exact distances apart."""
    minutes = [
        thresholds["reading_carry_hours"] * 60,
        thresholds["device_carry_hours"] * 60,
        thresholds["nebuliser_carry_minutes"],
        thresholds["episode_join_minutes"],
        thresholds["episode_min_minutes"],
        thresholds["repeat_gas_minutes"],
        thresholds["gas_pair_hours"] * 60,
        thresholds["reading_near_gas_minutes"],
    ]
    steps = [int(value * 60) // grid for value in minutes]
    pool = {-2, 0, length, anchor, *draw(st.lists(st.integers(-3, length + 3), min_size=4, max_size=8))}
    for offset in draw(st.lists(st.sampled_from(sorted(pool)), min_size=3, max_size=6)):
        reach = offset + draw(st.sampled_from(steps))
        pool |= {reach, reach + draw(st.sampled_from((-1, 0, 1)))}
    # Only flags may lie outside the stay; ends may lie far behind it.
    return sorted(pool)
