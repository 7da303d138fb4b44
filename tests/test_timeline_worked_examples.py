"""Small stays whose answer is worked out by hand, one edge each; put to the tool and to the slow walk alike.

Source of every expected value: the definitions, by hand, unless a test names another.
Minutes count from the admission.
"""

from datetime import datetime, timedelta

import pytest
import traces

from tests.charts import ADMITTED, chart, device, flag, gas, reading, target, together, ward
from tests.two_ways import WAYS, band_rows, minutes_in, state

pytestmark = pytest.mark.parametrize("way", WAYS)
# pint 0.25: 45 mmHg = 5.999507 kPa.
KPA_PER_MMHG = 0.133322387415


# --- readings -----------------------------------------------------------------------------------------------


def test_a_reading_runs_out_after_six_hours_to_the_second(way: str) -> None:
    # 0-360 the reading speaks, 360-480 nobody knows.
    tables = chart(480, target(0), reading(0, 90))
    assert minutes_in(way, tables) == {"within": 360, "unobserved": 120}
    assert state(way, tables, 360 - 1 / 60)["spo2_percent"] == 90
    assert state(way, tables, 360)["spo2_percent"] is None


def test_a_reading_at_the_instant_the_last_one_runs_out_leaves_no_gap(way: str) -> None:
    tables = chart(480, target(0), reading(0, 90), reading(360, 87))
    assert minutes_in(way, tables) == {"within": 360, "below": 120}


def test_a_reading_one_minute_after_the_last_one_ran_out_leaves_one_minute(way: str) -> None:
    tables = chart(480, target(0), reading(0, 90), reading(361, 87))
    assert minutes_in(way, tables) == {"within": 360, "unobserved": 1, "below": 119}


def test_a_reading_at_the_very_end_counts_for_nothing(way: str) -> None:
    assert minutes_in(way, chart(60, target(0), reading(0, 90), reading(60, 70))) == {"within": 60}


def test_both_limits_belong_to_the_band(way: str) -> None:
    # Ten minutes each: 87.9 below, 88 and 92 within, 92.1 above on air.
    tables = chart(
        40,
        target(0),
        device(0, "room_air"),
        reading(0, 87.9),
        reading(10, 88),
        reading(20, 92),
        reading(30, 92.1),
    )
    assert minutes_in(way, tables) == {"below": 10, "within": 20, "above_on_air": 10}


def test_time_before_the_first_reading_is_unobserved(way: str) -> None:
    assert minutes_in(way, chart(60, target(0), reading(45, 90))) == {"unobserved": 45, "within": 15}


def test_the_time_weighted_share_equals_a_general_purpose_library(way: str) -> None:
    # Source: traces 0.7.0 on this series: 1800, 5400, 10800, 3600 s; share within 88-92 = 0.416667.
    readings = [(0, 86), (30, 90), (120, 94), (300, 91)]
    series = traces.TimeSeries({ADMITTED + timedelta(minutes=at): spo2 for at, spo2 in readings})
    end = ADMITTED + timedelta(minutes=360)
    seconds = series.distribution(start=ADMITTED, end=end, normalized=False)
    assert dict(seconds) == {86: 1800, 90: 5400, 94: 10800, 91: 3600}
    minutes = minutes_in(way, chart(360, target(0), *(reading(at, spo2) for at, spo2 in readings)))
    assert minutes == {"below": 30, "within": 150, "above_device_unknown": 180}
    assert minutes["within"] / sum(minutes.values()) == pytest.approx(0.416667, abs=5e-7)
    assert minutes["within"] * 60 == seconds[90] + seconds[91]


# --- targets ------------------------------------------------------------------------------------------------


def test_a_target_stopped_at_the_instant_of_a_reading_does_not_judge_it(way: str) -> None:
    tables = chart(180, target(0, until=120), reading(0, 90), reading(120, 99))
    assert minutes_in(way, tables) == {"within": 120, "no_target": 60}


def test_a_target_replaced_at_the_instant_it_stops_leaves_no_gap(way: str) -> None:
    tables = chart(120, target(0, 88, 92, until=60), target(60, 94, 98), reading(0, 93))
    assert minutes_in(way, tables) == {"above_device_unknown": 60, "below": 60}


def test_an_older_target_does_not_come_back_when_the_newer_is_stopped(way: str) -> None:
    tables = chart(90, target(0, 94, 98), target(30, 88, 92, until=60), reading(0, 90))
    assert minutes_in(way, tables) == {"below": 30, "within": 30, "no_target": 30}


def test_a_target_stopped_when_it_was_prescribed_ends_the_one_before(way: str) -> None:
    tables = chart(60, target(0), target(20, 94, 98, until=20), reading(0, 90))
    assert minutes_in(way, tables) == {"within": 20, "no_target": 40}


def test_no_target_time_has_null_limits_and_stands_in_its_own_row(way: str) -> None:
    rows = band_rows(way, chart(60, target(20, 94, 98), reading(0, 96)))
    limits = {row["lower_percent"]: (row["upper_percent"], row["no_target_s"], row["within_s"]) for row in rows}
    assert limits == {None: (None, 1200, 0), 94: (98, 0, 2400)}


# --- wards, months, clocks ----------------------------------------------------------------------------------


def test_a_move_and_a_reading_at_the_same_instant_both_count_from_there(way: str) -> None:
    tables = chart(90, target(0), ward(30, "A"), ward(60, "B"), reading(0, 90), reading(60, 80))
    assert minutes_in(way, tables, by="ward") == {
        None: {"within": 30},
        "A": {"within": 30},
        "B": {"below": 30},
    }


def test_the_month_ends_at_local_midnight_in_summer_time(way: str) -> None:
    # In August London is an hour ahead of UTC: the month ends at 23:00 UTC.
    tables = chart(180, target(0), reading(0, 90), admitted=datetime(2025, 8, 31, 22))
    assert minutes_in(way, tables, "Europe/London", by="month") == {
        "2025-08": {"within": 60},
        "2025-09": {"within": 120},
    }


def test_a_day_in_spring_has_23_hours(way: str) -> None:
    # 31 March 2024 in London: 00:00 UTC to 23:00 UTC; what follows is April.
    tables = chart(24 * 60, target(0), reading(0, 90), admitted=datetime(2024, 3, 31))
    assert minutes_in(way, tables, "Europe/London", by="month") == {
        "2024-03": {"within": 360, "unobserved": 17 * 60},
        "2024-04": {"unobserved": 60},
    }


def test_time_runs_on_through_the_hour_that_comes_twice_in_autumn(way: str) -> None:
    # 26 October 2024 23:00 UTC to 28 October 00:00 UTC is one day in London, of 25 hours.
    tables = chart(
        25 * 60, target(0), *(reading(h * 60, 90) for h in range(0, 25, 5)), admitted=datetime(2024, 10, 26, 23)
    )
    assert minutes_in(way, tables, "Europe/London", by="month") == {"2024-10": {"within": 25 * 60}}


def test_a_month_may_begin_in_the_hour_that_does_not_exist(way: str) -> None:
    # Asuncion, 1 October 2023: the clocks went from 24:00 to 01:00 (04:00 UTC). IANA time zone database.
    tables = chart(120, target(0), reading(0, 90), admitted=datetime(2023, 10, 1, 3))
    assert minutes_in(way, tables, "America/Asuncion", by="month") == {
        "2023-09": {"within": 60},
        "2023-10": {"within": 60},
    }


def test_a_month_begins_once_where_midnight_comes_twice(way: str) -> None:
    # Havana, 1 November 2026: midnight at 04:00 UTC and again at 05:00 UTC. IANA time zone database.
    tables = chart(180, target(0), reading(0, 90), admitted=datetime(2026, 11, 1, 3))
    assert minutes_in(way, tables, "America/Havana", by="month") == {
        "2026-10": {"within": 60},
        "2026-11": {"within": 120},
    }


def test_an_open_stay_ends_at_the_as_of_time(way: str) -> None:
    tables = chart(None, target(0), reading(0, 90), reading(120, 80))
    assert minutes_in(way, tables, as_of=ADMITTED + timedelta(minutes=150)) == {"within": 120, "below": 30}
    assert minutes_in(way, tables, as_of=ADMITTED + timedelta(minutes=100)) == {"within": 100}


def test_a_stay_that_ends_when_it_begins_has_no_time(way: str) -> None:
    assert band_rows(way, chart(0, target(0), reading(0, 90))) == []


# --- exclusions ---------------------------------------------------------------------------------------------


def test_exclusion_comes_before_every_other_state(way: str) -> None:
    # 0-10 no target and excluded, 10-20 below and excluded, 20-30 below.
    tables = chart(30, target(10), reading(0, 80), flag(0, "theatre", until=20))
    assert minutes_in(way, tables, by="lower_percent") == {
        None: {"excluded": 10},
        88: {"excluded": 10, "below": 10},
    }


def test_an_exclusion_from_before_admission_counts_and_one_without_an_end_lasts(way: str) -> None:
    tables = chart(60, target(0), reading(0, 90), flag(-90, "critical_care", until=15), flag(50, "theatre"))
    assert minutes_in(way, tables) == {"excluded": 25, "within": 35}


def test_of_two_exclusions_the_first_by_name_is_given(way: str) -> None:
    tables = chart(60, flag(0, "theatre"), flag(10, "end_of_life_care", until=20))
    assert [state(way, tables, at)["excluded"] for at in (9, 10, 20)] == ["theatre", "end_of_life_care", "theatre"]


def test_risk_flags_exclude_nothing(way: str) -> None:
    tables = chart(30, target(0), reading(0, 90), flag(0, "copd"), flag(0, "oxygen_alert"))
    assert minutes_in(way, tables) == {"within": 30}


# --- retainers ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pco2_kpa", "sample_type", "expected"),
    [
        (6.0, "arterial", None),
        (6.01, "arterial", "gas"),
        (45 * KPA_PER_MMHG, "arterial", None),
        (46 * KPA_PER_MMHG, "capillary", "gas"),
        (9.0, "venous", None),
        (None, "arterial", None),
    ],
)
def test_which_gases_make_a_retainer(way: str, pco2_kpa: float | None, sample_type: str, expected: str | None) -> None:
    now = state(way, chart(60, gas(10, pco2_kpa, 7.4, sample_type)), 30)
    assert (now["retainer"], now["retainer_ever"]) == (expected, expected)


def test_evidence_grows_from_target_to_history_to_gas(way: str) -> None:
    tables = chart(60, target(10, until=15), flag(20, "previous_hypercapnia", until=25), gas(30, 7.0))
    assert [state(way, tables, at)["retainer"] for at in (9, 10, 19, 20, 29, 30, 59)] == [
        None,
        "target",
        "target",
        "history",
        "history",
        "gas",
        "gas",
    ]
    assert state(way, tables, 0)["retainer_ever"] == "gas"
    assert minutes_in(way, tables, by="retainer") == {
        None: {"no_target": 10},
        "target": {"unobserved": 5, "no_target": 5},
        "history": {"no_target": 10},
        "gas": {"no_target": 30},
    }


def test_a_target_up_to_93_and_copd_alone_make_no_retainer(way: str) -> None:
    now = state(way, chart(60, target(0, 88, 93), flag(0, "copd"), flag(0, "other_risk")), 30)
    assert (now["retainer"], now["retainer_ever"]) == (None, None)


def test_a_history_flag_from_before_admission_counts_from_admission(way: str) -> None:
    now = state(way, chart(60, flag(-5000, "home_ventilation", until=-4000)), 0)
    assert (now["retainer"], now["retainer_ever"]) == ("history", "history")


def test_a_gas_at_the_very_end_is_no_evidence(way: str) -> None:
    assert state(way, chart(60, gas(60, 8.0)), 59)["retainer_ever"] is None


@pytest.mark.parametrize(
    ("taken", "patient_key", "sample_type", "expected"),
    [
        (-600, "p", "arterial", "history"),
        (-600, "p", "venous", None),
        (-600, "somebody else", "arterial", None),
        (0, "p", "arterial", None),  # at this admission, not before it
    ],
)
def test_a_gas_of_another_stay_is_history_from_admission(
    way: str, taken: int, patient_key: str, sample_type: str, expected: str | None
) -> None:
    # The other stay began 1000 minutes earlier and overlaps this one.
    earlier = chart(
        2000,
        gas(taken + 1000, 7.0, 7.3, sample_type),
        stay_id="t",
        patient_key=patient_key,
        admitted=ADMITTED - timedelta(minutes=1000),
    )
    now = state(way, together([chart(60), earlier]), 0)
    assert (now["retainer"], now["retainer_ever"]) == (expected, expected)


def test_a_later_stay_is_no_history_for_an_earlier_one(way: str) -> None:
    later = chart(60, gas(5, 7.0), stay_id="t", admitted=ADMITTED + timedelta(days=2))
    assert state(way, together([chart(60), later]), 30)["retainer_ever"] is None
