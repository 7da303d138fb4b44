"""Faulty rows to plant in an extract: at least one of every reason for which the intake sets rows aside.

Every planted row is extra (no true row is spoilt) and breaks exactly one rule.
"""

from collections import Counter
from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import Enum
from typing import Any, NamedTuple

import polars as pl

from pipeline.vocabulary import TABLES


class When(Enum):
    """A faulty time, told by what it is faulty against."""

    BEFORE_ADMISSION = "three days before the admission"
    AFTER_DISCHARGE = "three days after the discharge"
    AN_HOUR_EARLIER = "an hour before the row's own time"
    AN_HOUR_LATER = "an hour after the row's own time, which is no fault by itself"
    IN_THE_SPRING_GAP = "a local time that the clocks skip"


class Fault(NamedTuple):
    """One planted row: the rule it breaks, and the columns that differ from an ordinary row."""

    rule: str
    changes: Mapping[str, Any]


SPRING_GAP = datetime(2026, 3, 29, 1, 30)
NO_SUCH_STAY = "S00000"
_NOT_A_TIME = "2025-02-30 10:00:00"
_GONE = "local_time_does_not_exist"
_CLASH = "conflicting_repeat"

_ORDINARY: Mapping[str, Mapping[str, Any]] = {
    "stays": {"site": "North", "specialty": "acute medicine", "age_band": "70-79", "sex": "female"},
    "wards": {"ward": "Hazel"},
    "readings": {"spo2_percent": 95, "respiratory_rate": 16, "ews_scale": 1, "spo2_score": 1, "source": "spot"},
    "devices": {"device": "nasal_cannula", "flow_l_min": 2.0},
    "targets": {"lower_percent": 94, "upper_percent": 98},
    "gases": {"sample_type": "arterial", "ph": 7.41, "pco2_kpa": 5.2, "po2_kpa": 10.4, "bicarbonate_mmol_l": 24.3},
    "flags": {"flag": "other_risk"},
}

# Gases are written with typed columns and times with an offset, and flags as a sheet with date cells: text in a
# number, text in a time and (for gases) a skipped local time cannot be planted there.
FAULTS: Mapping[str, tuple[Fault, ...]] = {
    "stays": (
        Fault("missing_required", {"patient_key": None}),
        Fault("missing_required", {"admitted_at": None}),
        Fault("not_a_time", {"admitted_at": _NOT_A_TIME}),
        Fault("ends_before_it_starts", {"discharged_at": When.AN_HOUR_EARLIER}),
        Fault(_CLASH, {"age_band": "60-69"}),
        Fault(_CLASH, {"age_band": "80-89"}),
        Fault(_GONE, {"admitted_at": When.IN_THE_SPRING_GAP, "discharged_at": None}),
    ),
    "wards": (
        Fault("missing_required", {"ward": None}),
        Fault("not_a_time", {"entered_at": _NOT_A_TIME}),
        Fault("unknown_stay", {"stay_id": NO_SUCH_STAY}),
        Fault("outside_the_stay", {"entered_at": When.BEFORE_ADMISSION}),
        Fault(_CLASH, {"ward": "Hazel"}),
        Fault(_CLASH, {"ward": "Rowan"}),
        Fault(_GONE, {"entered_at": When.IN_THE_SPRING_GAP}),
    ),
    "readings": (
        Fault("missing_required", {"spo2_percent": None}),
        Fault("missing_required", {"taken_at": None}),
        Fault("missing_required", {"stay_id": None}),
        Fault("not_a_number", {"spo2_percent": "9O"}),
        Fault("not_a_number", {"respiratory_rate": "refused"}),
        Fault("not_a_time", {"taken_at": _NOT_A_TIME}),
        Fault("out_of_range", {"spo2_percent": 135}),
        Fault("out_of_range", {"spo2_percent": 9}),
        Fault("out_of_range", {"respiratory_rate": 160}),
        Fault("unknown_code", {"source": "guess"}),
        Fault("unknown_code", {"ews_scale": 3}),
        Fault("unknown_stay", {"stay_id": NO_SUCH_STAY}),
        Fault("outside_the_stay", {"taken_at": When.BEFORE_ADMISSION}),
        Fault("outside_the_stay", {"taken_at": When.AFTER_DISCHARGE}),
        Fault(_CLASH, {"spo2_percent": 91}),
        Fault(_CLASH, {"spo2_percent": 96}),
        Fault(_GONE, {"taken_at": When.IN_THE_SPRING_GAP}),
    ),
    "devices": (
        Fault("missing_required", {"device": None}),
        Fault("not_a_number", {"flow_l_min": "2 to 4"}),
        Fault("not_a_time", {"started_at": _NOT_A_TIME}),
        Fault("out_of_range", {"flow_l_min": 150.0}),
        Fault("out_of_range", {"device": "air_entrainment_mask", "flow_l_min": 4.0, "fio2_fraction": 28.0}),
        Fault("unknown_code", {"device": "tent"}),
        Fault("unknown_stay", {"stay_id": NO_SUCH_STAY}),
        Fault("outside_the_stay", {"started_at": When.AFTER_DISCHARGE}),
        Fault("ends_before_it_starts", {"ended_at": When.AN_HOUR_EARLIER}),
        Fault(_CLASH, {"flow_l_min": 1.0}),
        Fault(_CLASH, {"flow_l_min": 4.0}),
        Fault(_GONE, {"started_at": When.IN_THE_SPRING_GAP}),
    ),
    "targets": (
        Fault("missing_required", {"upper_percent": None}),
        Fault("not_a_number", {"lower_percent": "88-92"}),
        Fault("not_a_time", {"prescribed_at": _NOT_A_TIME}),
        Fault("out_of_range", {"lower_percent": 8}),
        Fault("out_of_range", {"lower_percent": 98, "upper_percent": 94}),
        Fault("unknown_stay", {"stay_id": NO_SUCH_STAY}),
        Fault("outside_the_stay", {"prescribed_at": When.AFTER_DISCHARGE}),
        Fault("ends_before_it_starts", {"stopped_at": When.AN_HOUR_EARLIER}),
        Fault(_CLASH, {}),
        Fault(_CLASH, {"lower_percent": 88, "upper_percent": 92}),
        Fault(_GONE, {"prescribed_at": When.IN_THE_SPRING_GAP}),
    ),
    "gases": (
        Fault("missing_required", {"sample_type": None}),
        Fault("missing_required", {"taken_at": None}),
        Fault("out_of_range", {"ph": 3.41}),
        Fault("out_of_range", {"pco2_kpa": 41.0}),
        Fault("unknown_code", {"sample_type": "mixed"}),
        Fault("unknown_stay", {"stay_id": NO_SUCH_STAY}),
        Fault("outside_the_stay", {"taken_at": When.BEFORE_ADMISSION}),
        Fault(_CLASH, {"pco2_kpa": 5.9}),
        Fault(_CLASH, {"pco2_kpa": 6.4}),
    ),
    "flags": (
        Fault("missing_required", {"flag": None}),
        Fault("unknown_code", {"flag": "watch"}),
        Fault("unknown_stay", {"stay_id": NO_SUCH_STAY}),
        Fault("outside_the_stay", {"flagged_at": When.AFTER_DISCHARGE}),
        Fault("ends_before_it_starts", {"until_at": When.AN_HOUR_EARLIER}),
        Fault(_CLASH, {}),
        Fault(_CLASH, {"until_at": When.AN_HOUR_LATER}),
        Fault(_GONE, {"flagged_at": When.IN_THE_SPRING_GAP}),
    ),
}
EXACT_REPEATS: Mapping[str, int] = {
    "stays": 1,
    "wards": 1,
    "readings": 5,
    "devices": 2,
    "targets": 1,
    "gases": 1,
    "flags": 1,
}


def planted_faults() -> dict[str, dict[str, int]]:
    """How many rows `write_extract` plants when `dirty`: table, then rule, then rows.

    `exact_repeat` counts the second copies only. Both rows of a `conflicting_repeat` are counted.
    """
    counts = {table: dict(Counter(fault.rule for fault in faults)) for table, faults in FAULTS.items()}
    return {table: {**rules, "exact_repeat": EXACT_REPEATS[table]} for table, rules in counts.items()}


def dirty_rows(table: str, stays: pl.DataFrame) -> list[dict[str, Any]]:
    """One dictionary a planted row, with a value for every column, times naive UTC (or text that is no time), and
    `written_at`: the UTC instant by which it is filed. A skipped time is `When.IN_THE_SPRING_GAP` itself.

    `stays` are the true stays, of which long, finished ones lend their admission and discharge.
    """
    hosts = stays.filter(pl.col("discharged_at") - pl.col("admitted_at") > timedelta(days=2)).sort("stay_id").to_dicts()
    seen: list[str] = []
    rows = []
    for number, fault in enumerate(FAULTS[table]):
        # The rows of a conflicting repeat share stay and instant; every other row has its own.
        place = seen.index(_CLASH) if fault.rule == _CLASH and _CLASH in seen else number
        seen.append(fault.rule)
        host = hosts[place * len(hosts) // len(FAULTS[table])]
        rows.append(_row(table, fault, host, place))
    return rows


def _row(table: str, fault: Fault, host: dict[str, Any], place: int) -> dict[str, Any]:
    described = TABLES[table]
    # Seventeen seconds past: no charted time of the cohort has them.
    at = host["admitted_at"] + timedelta(hours=26, minutes=place, seconds=17)
    row: dict[str, Any] = dict.fromkeys(described.column_names)
    row |= {"stay_id": host["stay_id"], described.at: at, **_ORDINARY[table]}
    if table == "stays":
        row |= {
            "stay_id": f"X{place:05d}",
            "patient_key": f"Y{place:05d}",
            "discharged_at": at + timedelta(days=1),
        }
    times = {
        When.BEFORE_ADMISSION: host["admitted_at"] - timedelta(days=3),
        When.AFTER_DISCHARGE: host["discharged_at"] + timedelta(days=3),
        When.AN_HOUR_EARLIER: at - timedelta(hours=1),
        When.AN_HOUR_LATER: at + timedelta(hours=1),
    }
    row |= {
        name: times.get(value, value) if isinstance(value, When) else value for name, value in fault.changes.items()
    }
    changed = row[described.at]
    row["written_at"] = changed if isinstance(changed, datetime) else SPRING_GAP if isinstance(changed, When) else at
    return row
