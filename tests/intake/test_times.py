"""Charted times into UTC, against the standard library's own zone rules (`zoneinfo`, IANA time zone database)."""

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.times import local_to_utc
from tests.intake.extracts import kept_aside, loaded, query, row, stored, write_extract

Capsys = pytest.CaptureFixture[str]

# Half-hour change at Lord Howe; St John's and Kathmandu are no whole hours from UTC; Asuncion and Havana have changed
# at midnight; Troll changes by two hours; the International Date Line runs past Apia.
ZONES = (
    "Europe/London",
    "America/St_Johns",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "America/Havana",
    "America/Asuncion",
    "Antarctica/Troll",
    "Pacific/Apia",
    "UTC",
)
FIRST_DAY, LAST_DAY = date(1971, 1, 1), date(2049, 12, 31)


def oracle(local: datetime, zone: str) -> tuple[datetime | None, bool, bool]:
    """UTC of a local time, whether it never happened, and whether it happened twice, by trying both folds."""
    there = ZoneInfo(zone)
    instants = {local.replace(tzinfo=there, fold=fold).astimezone(UTC) for fold in (0, 1)}
    real = sorted(at for at in instants if at.astimezone(there).replace(tzinfo=None) == local)
    first = real[0].replace(tzinfo=None) if real else None
    return first, not real, len(real) == 2


@cache
def days_of_change(zone: str) -> list[date]:
    """The days from 2000 on in the middle of which, or at whose ends, the clocks of the zone changed."""
    there, days = ZoneInfo(zone), []
    for n in range((date(2030, 1, 1) - date(2000, 1, 1)).days):
        day = date(2000, 1, 1) + timedelta(days=n)
        offsets = {datetime.combine(day + timedelta(days=d), time(), there).utcoffset() for d in (0, 1)}
        if len(offsets) == 2:
            days.append(day)
    return days or [date(2026, 3, 29)]


@st.composite
def local_times(draw: st.DrawFn) -> tuple[str, list[datetime]]:
    zone = draw(st.sampled_from(ZONES))
    any_day = st.dates(FIRST_DAY, LAST_DAY)
    day = st.one_of(any_day, st.sampled_from(days_of_change(zone)))
    clock = st.one_of(st.times(), st.builds(time, st.integers(0, 4), st.sampled_from([0, 29, 30, 31, 59])))
    times = draw(st.lists(st.builds(datetime.combine, day, clock), min_size=1, max_size=25))
    return zone, times


@settings(max_examples=150, deadline=None)
@given(local_times())
def test_local_times_become_utc_as_the_standard_library_says(case: tuple[str, list[datetime]]) -> None:
    zone, times = case
    whole = [at.replace(microsecond=0) for at in times]
    expected = [oracle(at, zone) for at in whole]

    written = pl.Series([at.isoformat(" ") for at in times], dtype=pl.String)
    assert local_to_utc(written, zone).rows() == expected
    for unit in ("us", "ns"):
        timestamps = pl.Series(times, dtype=pl.Datetime(unit))
        assert local_to_utc(timestamps, zone).rows() == expected


@settings(max_examples=200, deadline=None)
@given(
    st.datetimes(datetime(1971, 1, 2), datetime(2049, 12, 30)),
    st.integers(-23 * 60 - 59, 23 * 60 + 59),
    st.sampled_from(["Z", "z", "+hh:mm", "+hhmm", "+hh"]),
    st.sampled_from([" ", "T"]),
    st.sampled_from(["", ".1", ".999999999", ",5"]),
    st.booleans(),
    st.sampled_from(["", " "]),
)
def test_offsets_in_every_shape_are_taken_as_they_say(
    at: datetime, east: int, shape: str, between: str, fraction: str, with_seconds: bool, blank: str
) -> None:
    at = at.replace(microsecond=0, second=at.second if with_seconds else 0)
    if shape == "+hh":
        east -= east % 60 if east >= 0 else -(-east % 60)
    if shape in "Zz":
        east, offset = 0, shape
    else:
        hours, minutes = divmod(abs(east), 60)
        offset = (
            shape.replace("+", "-" if east < 0 else "+").replace("hh", f"{hours:02}").replace("mm", f"{minutes:02}")
        )
    clock = at.strftime("%H:%M:%S") + fraction if with_seconds else at.strftime("%H:%M")
    written = f"{at:%Y-%m-%d}{between}{clock}{blank}{offset}"

    # The zone of the store has no say.
    [(utc, gone, twice)] = local_to_utc(pl.Series([written]), "America/St_Johns").rows()

    assert (utc, gone, twice) == (at - timedelta(minutes=east), False, False), written


@pytest.mark.parametrize(
    "text",
    [
        "2026-01-05",
        "2026-01-05T",
        "2026-01-05 10",
        "10:00",
        "2026-01-05 24:00",
        "2026-01-05 23:59:60",
        "2026-01-05 10:60",
        "2026-01-05 1:00",
        "2026-02-29 10:00",
        "2026-13-01 10:00",
        "26-01-05 10:00",
        "+2026-1-5 10:00:00",
        "05/01/2026 10:00",
        "2026/01/05 10:00",
        "20260105T1000",
        "2026-01-05 10:00 PM",
        "2026-01-05 10:00+24:00",
        "2026-01-05 10:00+01:60",
        "2026-01-05 10:00+1",
        "2026-01-05 10:00 Europe/London",
        "2026-01-05 10:00.5",
        "2026-01-05t10:00",
        "٢٠٢٦-01-05 10:00",
        "now",
        "46027.4166",
    ],
)
def test_what_is_no_date_with_a_time_of_day_is_no_time(text: str) -> None:
    assert local_to_utc(pl.Series([text]), "Europe/London").rows() == [(None, False, False)]


def test_empty_cells_stay_empty() -> None:
    for empty in (pl.Series([None], dtype=pl.String), pl.Series([None], dtype=pl.Null), pl.Series([], dtype=pl.String)):
        assert local_to_utc(empty, "Europe/London").rows() == [(None, False, False)] * len(empty)


def test_the_spring_gap_is_kept_aside_and_the_autumn_hour_counted(tmp_path: Path, capsys: Capsys) -> None:
    # London: on 29 March 2026 01:00 to 01:59 did not happen, on 25 October 2026 it happened twice (Summer Time Act).
    times = {
        "2026-03-29 00:59": "2026-03-29 00:59:00",
        "2026-03-29 01:00": None,
        "2026-03-29 01:59:59": None,
        "2026-03-29 02:00": "2026-03-29 01:00:00",
        "2026-10-25 00:59": "2026-10-24 23:59:00",
        "2026-10-25 01:00": "2026-10-25 00:00:00",
        "2026-10-25 01:59:59": "2026-10-25 00:59:59",
        "2026-10-25 02:00": "2026-10-25 02:00:00",
        "2026-10-25 01:30+00:00": "2026-10-25 01:30:00",
    }
    extract = write_extract(
        tmp_path / "extract",
        stays=[row("stays", discharged_at="")],
        readings=[row("readings", taken_at=at) for at in times],
    )
    outcome = loaded(capsys, extract, tmp_path / "s.duckdb")

    taken = [str(reading["taken_at"]) for reading in stored(tmp_path / "s.duckdb", "readings")]
    assert taken == sorted(at for at in times.values() if at)
    assert kept_aside(tmp_path / "s.duckdb") == [
        ("readings.csv", 3, "taken_at", "local_time_does_not_exist"),
        ("readings.csv", 4, "taken_at", "local_time_does_not_exist"),
    ]
    [(ambiguous,)] = query(
        tmp_path / "s.duckdb", "select times_ambiguous from load_ledger where table_name = 'readings'"
    )
    assert ambiguous == 2
    assert "2 local times occur twice" in outcome.out


def test_the_zone_given_decides_about_times_without_offset(tmp_path: Path, capsys: Capsys) -> None:
    # Adelaide is 10 h 30 min ahead of UTC in January.
    extract = write_extract(tmp_path / "extract", readings=[row("readings", taken_at="2026-01-05 10:00:59.99")])
    loaded(capsys, extract, tmp_path / "s.duckdb", "--timezone", "Australia/Adelaide")

    [reading] = stored(tmp_path / "s.duckdb", "readings")
    assert reading["taken_at"] == datetime(2026, 1, 4, 23, 30, 59)
    assert query(tmp_path / "s.duckdb", "select value from store_facts where name = 'zone'") == [
        ("Australia/Adelaide",)
    ]
