"""Small measured stores written by hand, patient by patient, to be compared."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
from markupsafe import Markup

import pipeline.provenance
import reports.compare
import reports.compare_charts
from pipeline.catalogue import read_measures
from pipeline.errors import AuditError
from pipeline.measure import insert
from pipeline.month_rollup import month_tables
from pipeline.rollup import measure_summary
from pipeline.store import SCHEMA_VERSION, set_fact
from tests.stores import Tables, empty_store, store_with

MAY, JUNE = "2026-05", "2026-06"
AS_OF = datetime(2026, 7, 2)
TARGET = "oxygen_stays_with_target"
MEASURES = read_measures()
MEASURED = [
    measure for measure in MEASURES if measure.id in ("share_below", "share_within", "share_above_on_oxygen", TARGET)
]


@contextmanager
def refused(*says: str) -> Iterator[None]:
    """What is done inside is refused, in a message with all these words."""
    with pytest.raises(AuditError) as found:
        yield
    for words in says:
        assert words in str(found.value)


@dataclass(frozen=True)
class Person:
    """One patient in one month and ward: seconds below, within and above on oxygen, unobserved and without target.

    target: whether a stay on oxygen had a prescribed target (null: not on oxygen).
    """

    key: str
    month: str = JUNE
    ward: str = "Alder"
    site: str | None = None
    group: str = "other"
    below: int = 0
    within: int = 1000
    above: int = 0
    unobserved: int = 0
    no_target: int = 0
    target: bool | None = None


def several(number: int, like: Person) -> list[Person]:
    """So many patients like this one, each with a key of its own."""
    return [Person(**{**like.__dict__, "key": f"{like.key}{place:02d}"}) for place in range(number)]


def without_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many pages in a fraction of the time: no chart is drawn, and the files of measures are not read each time."""
    monkeypatch.setattr(reports.compare_charts, "beside_each_other", lambda *_: Markup())
    monkeypatch.setattr(reports.compare_charts, "differences", lambda *_: Markup())
    for module in (reports.compare, pipeline.provenance):
        monkeypatch.setattr(module, "read_measures", lambda: MEASURES)


def store_by_hand(people: Iterable[Person]) -> duckdb.DuckDBPyConnection:
    """A measured store in memory: their band time, the three shares of it, and targets of stays on oxygen."""
    con = empty_store()
    rows = list(people)
    insert(
        con, "stays", pl.DataFrame([_stay(place, each) for place, each in enumerate(rows, 1)], infer_schema_length=None)
    )
    insert(con, "stay_month_time", pl.DataFrame([_time(each) for each in rows]))
    insert(con, "measure_rows", pl.DataFrame([row for each in rows for row in _measured(each)]))
    for table in ("stays", "wards", "readings", "devices", "targets", "gases", "flags"):
        con.execute(
            "insert into load_ledger values (1, $at, $table, $table || '.csv', $table, 9, 9, 0, 0, 0, 0, 0, "
            "'Europe/London', $at, '0.1.0')",
            {"at": AS_OF, "table": table},
        )
    insert(con, "measure_summary", measure_summary(con, MEASURED))
    insert(con, "month_summary", month_tables(con)[0])
    return con


def _ids(each: Person) -> dict[str, object]:
    return {"stay_id": f"S{each.key}{each.month}{each.ward}", "patient_key": each.key}


def _stay(place: int, each: Person) -> dict[str, object]:
    start = datetime(int(each.month[:4]), int(each.month[5:]), 3)
    times = {"admitted_at": start, "discharged_at": start + timedelta(days=2), "as_of": AS_OF}
    return {"stay_no": place, **_ids(each), **times, "site": each.site}


def _time(each: Person) -> dict[str, object]:
    states = ("above_on_air_s", "above_device_unknown_s", "excluded_s", "unobserved_on_oxygen_s", "unobserved_on_air_s")
    readings = ("readings_below", "readings_within", "readings_above_on_oxygen")
    return {
        **_ids(each),
        "month": each.month,
        "ward": each.ward,
        "retainer_group": each.group,
        "below_s": each.below,
        "within_s": each.within,
        "above_on_oxygen_s": each.above,
        "unobserved_s": each.unobserved,
        "no_target_s": each.no_target,
        "readings": 2,
        **dict.fromkeys((*states, *readings), 0),
    }


def _measured(each: Person) -> list[dict[str, object]]:
    observed = each.below + each.within + each.above
    found: list[tuple[str, float, float]] = [
        ("share_below", each.below, observed),
        ("share_within", each.within, observed),
        ("share_above_on_oxygen", each.above, observed),
    ]
    if each.target is not None:
        found.append((TARGET, float(each.target), 1.0))
    ids = {**_ids(each), "month": each.month, "ward": each.ward, "group": each.group}
    return [
        {**ids, "measure_id": name, "numerator": float(part), "denominator": float(whole)}
        for name, part, whole in found
    ]


def store_file(tables: Tables, path: Path) -> Path:
    """A loaded store as a file, not measured yet."""
    with store_with(tables) as con:
        set_fact(con, "schema_version", SCHEMA_VERSION)
        con.execute(
            "insert into load_ledger values (1, $at, 'stays', $name, $name, 9, 9, 0, 0, 0, 0, 0, 'Europe/London', $at, "
            "'0.1.0')",
            {"at": AS_OF, "name": f"{path.stem}.csv"},
        )
        con.execute(f"attach '{path}' as file")
        con.execute("copy from database memory to file")
    return path
