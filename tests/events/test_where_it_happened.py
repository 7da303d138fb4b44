"""Where observed time lies: worked by hand at the edges, and for invented stays against a walk by small steps."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings

from pipeline.events.where_it_happened import where_it_happened
from pipeline.measure import stay_band_time
from pipeline.vocabulary import OBSERVED_STATES
from tests import oracle
from tests.charts import Record, chart, device, flag, reading, target
from tests.events.batches import POLICY, batch_of
from tests.strategies import Case, cases, policy_of

ENOUGH = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
HOUR = 60


def minutes(dimension: str, *records: Record, hours: int, admitted: datetime, zone: str = "UTC") -> dict[str, Any]:
    """For each value of a dimension the minutes in each state that occurs there."""
    tables = chart(hours * HOUR, *records, admitted=admitted)
    rows = where_it_happened(batch_of(tables, POLICY, zone), POLICY).filter(dimension=dimension).to_dicts()
    return {
        row["value"]: {state: row[f"{state}_s"] / 60 for state in OBSERVED_STATES if row[f"{state}_s"]} for row in rows
    }


def test_a_day_of_readings_lies_in_its_six_parts() -> None:
    # Midnight to midnight, 90 % every four hours but 95 % on a cannula from 8 to 12.
    spo2 = (90, 90, 95, 90, 90, 90)
    found = minutes(
        "part_of_day",
        target(0),
        device(0, "nasal_cannula", flow=2),
        *(reading(4 * HOUR * part, value) for part, value in enumerate(spo2)),
        hours=24,
        admitted=datetime(2026, 1, 14),
    )
    within = {part: {"within": 240.0} for part in ("00-04", "04-08", "12-16", "16-20", "20-24")}
    assert found == within | {"08-12": {"above_on_oxygen": 240.0}}


def test_the_first_instant_of_a_part_belongs_to_it_and_the_last_does_not() -> None:
    # 03:59 to 04:01: a minute on each side of four o'clock.
    admitted = datetime(2026, 1, 14, 3, 59)
    tables = chart(2, target(0), reading(0, 90), admitted=admitted)
    rows = where_it_happened(batch_of(tables), POLICY).filter(dimension="part_of_day")
    assert rows.select("value", "within_s").rows() == [("00-04", 60), ("04-08", 60)]


def test_hours_are_those_of_the_clock_on_the_wall() -> None:
    # 22:00 to 02:00 UTC of a summer night is 23:00 to 03:00 in London and 07:00 to 11:00 in Tokyo.
    records = (target(0), reading(0, 86))
    admitted = datetime(2026, 6, 10, 22)
    assert minutes("part_of_day", *records, hours=4, admitted=admitted, zone="Europe/London") == {
        "20-24": {"below": 60.0},
        "00-04": {"below": 180.0},
    }
    assert minutes("part_of_day", *records, hours=4, admitted=admitted, zone="Asia/Tokyo") == {
        "04-08": {"below": 60.0},
        "08-12": {"below": 180.0},
    }


def test_the_hour_that_comes_twice_counts_twice_and_the_one_that_never_comes_not_at_all() -> None:
    # London, 25 October 2026: 00:00 to 04:00 on the wall takes five hours. 29 March 2026: three.
    # Source: IANA time zone database; the clocks change at 01:00 UTC.
    for day, first_hours in ((datetime(2026, 10, 24, 23), 5), (datetime(2026, 3, 29), 3)):
        found = minutes("part_of_day", target(0), reading(0, 90), hours=6, admitted=day, zone="Europe/London")
        assert found == {"00-04": {"within": 60.0 * first_hours}, "04-08": {"within": 60.0 * (6 - first_hours)}}


def test_the_weekend_begins_and_ends_at_local_midnight() -> None:
    # 2026-06-12 is a Friday. London: UTC + 1, so Saturday begins at 23:00 UTC.
    friday = minutes(
        "day", target(0), reading(0, 90), hours=4, admitted=datetime(2026, 6, 12, 21), zone="Europe/London"
    )
    assert friday == {"weekday": {"within": 120.0}, "weekend": {"within": 120.0}}
    sunday = minutes(
        "day", target(0), reading(0, 90), hours=4, admitted=datetime(2026, 6, 14, 21), zone="Europe/London"
    )
    assert sunday == {"weekend": {"within": 120.0}, "weekday": {"within": 120.0}}


def test_equal_readings_over_days_are_cut_into_their_parts_and_days() -> None:
    # Friday 00:00 to Monday 00:00, the same reading every four hours.
    readings = [reading(4 * HOUR * number, 90) for number in range(18)]
    admitted = datetime(2026, 6, 12)
    parts = minutes("part_of_day", target(0), *readings, hours=72, admitted=admitted)
    assert parts == {part: {"within": 720.0} for part in ("00-04", "04-08", "08-12", "12-16", "16-20", "20-24")}
    days = minutes("day", target(0), *readings, hours=72, admitted=admitted)
    assert days == {"weekday": {"within": 1440.0}, "weekend": {"within": 2880.0}}


def test_time_before_a_device_is_charted_stands_apart() -> None:
    found = minutes(
        "device",
        target(0),
        reading(0, 96),
        device(60, "simple_mask", flow=6, until=120),
        device(120, "room_air"),
        hours=3,
        admitted=datetime(2026, 1, 14),
    )
    assert found == {
        "not_recorded": {"above_device_unknown": 60.0},
        "simple_mask": {"above_on_oxygen": 60.0},
        "room_air": {"above_on_air": 60.0},
    }


@pytest.mark.parametrize(
    ("lower", "upper", "value"),
    [
        (88, 92, "88-92"),
        (94, 98, "94-98"),
        (85, 92, "other_up_to_92"),
        (88, 90, "other_up_to_92"),
        (88, 92.5, "other_over_92"),
        (92, 96, "other_over_92"),
        (94, 99, "other_over_92"),
    ],
)
def test_a_target_is_one_of_the_two_usual_bands_or_told_apart_by_its_upper_limit(
    lower: float, upper: float, value: str
) -> None:
    found = minutes("target", target(0, lower, upper), reading(0, 90), hours=1, admitted=datetime(2026, 1, 14))
    assert list(found) == [value]


def test_time_that_says_nothing_about_the_band_is_nowhere() -> None:
    tables = chart(600, target(0, until=120), reading(60, 90), flag(90, "theatre"))
    rows = where_it_happened(batch_of(tables), POLICY)
    # Observed from 60 to 90: before it no reading, after it excluded and without a target.
    assert set(rows["within_s"]) == {30 * 60}
    assert rows.height == 4
    assert where_it_happened(batch_of(chart(600, reading(0, 90))), POLICY).is_empty()


# --- against a walk by small steps ------------------------------------------------------------------------------


def walk(case: Case) -> dict[tuple[str, ...], dict[str, int]]:
    """Every instant of every stay, asked where it lies; seconds by stay, month, dimension and value."""
    step = oracle.exact_step(case.tables, case.as_of, case.thresholds)
    zone = ZoneInfo(case.zone)
    found: dict[tuple[str, ...], dict[str, int]] = {}
    for stay in case.tables["stays"]:
        own = oracle.alone(stay, case.tables)
        for at in oracle.instants(stay, case.as_of, step):
            now = oracle.state_at(stay, own, case.zone, case.as_of, case.thresholds, at)
            if now["band_state"] not in OBSERVED_STATES:
                continue
            wall = at.replace(tzinfo=UTC).astimezone(zone)
            for dimension, value in places(now, wall).items():
                key = (stay["stay_id"], wall.strftime("%Y-%m"), dimension, value)
                seconds = found.setdefault(key, dict.fromkeys(OBSERVED_STATES, 0))
                seconds[now["band_state"]] += step
    return found


def places(now: dict[str, Any], wall: datetime) -> dict[str, str]:
    band = (now["lower_percent"], now["upper_percent"])
    other = "other_up_to_92" if band[1] <= 92 else "other_over_92"
    begins = wall.hour - wall.hour % 4
    return {
        "part_of_day": f"{begins:02}-{begins + 4:02}",
        "day": "weekend" if wall.strftime("%A") in ("Saturday", "Sunday") else "weekday",
        "device": now["device"] or "not_recorded",
        "target": {(88, 92): "88-92", (94, 98): "94-98"}.get(band, other),
    }


@ENOUGH
@given(cases())
def test_every_dimension_equals_a_walk_and_adds_up_to_the_band_time(case: Case) -> None:
    batch = batch_of(case.tables, policy_of(case.thresholds), case.zone, case.as_of)
    found = where_it_happened(batch, policy_of(case.thresholds))
    rows = {
        (row["stay_id"], row["month"], row["dimension"], row["value"]): {
            state: row[f"{state}_s"] for state in OBSERVED_STATES
        }
        for row in found.to_dicts()
    }
    assert rows == walk(case)
    assert len(rows) == found.height
    seconds = [f"{state}_s" for state in OBSERVED_STATES]
    by_stay = stay_band_time(batch.timeline).group_by("stay_id", "month").agg(pl.col(seconds).sum())
    expected = by_stay.filter(pl.sum_horizontal(seconds) > 0).sort("stay_id", "month")
    for dimension in ("part_of_day", "day", "device", "target"):
        added = found.filter(dimension=dimension).group_by("stay_id", "month").agg(pl.col(seconds).sum())
        assert added.sort("stay_id", "month").rows() == expected.rows()
