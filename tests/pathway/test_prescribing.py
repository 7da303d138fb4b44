"""Prescribing: a target within the hour of the first oxygen, and one of up to 92 % once retention was known.

Sources: BTS guideline for oxygen use in adults (Thorax 2017;72 Suppl 1): a target range for every patient on admission,
88-92 % for those at risk (summary table 4). The hour and both clocks are choices of the audit.
Expected values: the definitions, by hand. Minutes count from the admission.
"""

import pytest

from pipeline.pathway.prescribing import suited_target, target_prescribed
from tests.charts import Record, chart, device, flag, gas, target, together, ward
from tests.pathway.made import Made, made, rows

CANNULA = device(60, "nasal_cannula", 2)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # Oxygen from 60, target at 90: 30 minutes.
        ([CANNULA, target(90)], Made(60, 90, 30, True)),
        # The limit is 60 minutes: met exactly at 120, missed at 121.
        ([CANNULA, target(120)], Made(60, 120, 60, True)),
        ([CANNULA, target(121)], Made(60, 121, 61, False)),
        # In force before, or prescribed at that very instant.
        ([CANNULA, target(0)], Made(60, 60, 0, True)),
        ([CANNULA, target(60)], Made(60, 60, 0, True)),
        # Stopped before the oxygen, or at the instant it began: does not count.
        ([CANNULA, target(0, until=30), target(100)], Made(60, 100, 40, True)),
        ([CANNULA, target(0, until=60), target(100)], Made(60, 100, 40, True)),
        # In force at the first oxygen, stopped a minute later: it was prescribed.
        ([CANNULA, target(0, until=61)], Made(60, 60, 0, True)),
        # None by discharge at 480: waited for 420 minutes, too long.
        ([CANNULA], Made(60, None, 420, False)),
        # The clock runs on though oxygen ends.
        ([CANNULA, device(70, "room_air"), target(100)], Made(60, 100, 40, True)),
        # An unknown device does not start it; a nebuliser driven by oxygen does.
        ([device(0, "other"), CANNULA, target(90)], Made(60, 90, 30, True)),
        ([device(0, "room_air"), device(60, "oxygen_driven_nebuliser"), target(90)], Made(60, 90, 30, True)),
        # Excluded 60-100: the clock starts at 100.
        ([CANNULA, flag(30, "theatre", 100), target(130)], Made(100, 130, 30, True)),
        # Excluded 70-130 after it started: 10 + 40 minutes on the clock at 170.
        ([CANNULA, flag(70, "theatre", 130), target(170)], Made(60, 170, 50, True)),
        # A target in force only while excluded does not count: 10 + 40 minutes as above.
        ([CANNULA, flag(70, "theatre", 130), target(80, until=120), target(170)], Made(60, 170, 50, True)),
        # One prescribed while excluded and still in force afterwards does, from then: 10 minutes on the clock.
        ([CANNULA, flag(70, "theatre", 130), target(80)], Made(60, 130, 10, True)),
    ],
)
def test_target_after_the_first_oxygen(records: list[Record], expected: Made) -> None:
    assert made(target_prescribed, chart(480, *records)) == [expected]


def test_a_discharge_within_the_hour_cannot_be_told_and_one_at_the_very_limit_neither() -> None:
    assert made(target_prescribed, chart(119, CANNULA)) == [Made(60, None, 59, None)]
    assert made(target_prescribed, chart(120, CANNULA)) == [Made(60, None, 60, None)]
    assert made(target_prescribed, chart(121, CANNULA)) == [Made(60, None, 61, False)]


@pytest.mark.parametrize(
    "records",
    [
        [device(0, "room_air"), target(0)],
        [device(0, "other"), target(0)],
        [device(0, "nasal_cannula", 0), target(0)],
        [CANNULA, flag(0, "end_of_life_care"), target(0)],
    ],
)
def test_without_oxygen_in_audited_time_nothing_is_due(records: list[Record]) -> None:
    assert made(target_prescribed, chart(480, *records)) == []


def test_ward_month_and_evidence_are_those_of_the_start() -> None:
    # In the ward from 30 and another from 80; an alert card noted at 70, after the oxygen at 60.
    tables = chart(480, CANNULA, ward(30, "Ash"), ward(80, "Birch"), flag(70, "oxygen_alert"), target(90))
    (row,) = rows(target_prescribed, tables)
    assert (row["ward"], row["month"], row["step"], row["retainer"]) == ("Ash", "2026-01", "target_prescribed", None)
    assert row["limit_minutes"] == 60


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # First retaining gas at 60, 88-92 at 150.
        ([target(0, 94, 98), gas(60, 6.01), target(150)], Made(60, 150, 90)),
        # 6.0 kPa is not above 6.0: the next one at 90 is the first.
        ([target(0, 94, 98), gas(60, 6.0), gas(90, 6.5), target(150)], Made(90, 150, 60)),
        # A venous gas never proves retention, a capillary one does.
        ([gas(60, 8.0, sample_type="venous"), gas(90, 8.0, sample_type="capillary"), target(150)], Made(90, 150, 60)),
        # In force already, or prescribed at that instant: done at once.
        ([target(0), gas(60, 6.5)], Made(60, 60, 0)),
        ([target(60), gas(60, 6.5)], Made(60, 60, 0)),
        # History recorded at 30 starts the clock; the gas at 60 does not start it again.
        ([flag(30, "previous_hypercapnia"), gas(60, 6.5), target(150)], Made(30, 150, 120)),
        # An upper limit of 93 is not up to 92; 88-92.0 is.
        ([gas(60, 6.5), target(70, 88, 93), target(100, 88, 92)], Made(60, 100, 40)),
        # A target stopped by then does not count, and none comes: until discharge at 480.
        ([target(0, until=60), gas(60, 6.5)], Made(60, None, 420)),
        # In force only while excluded, 100-140, does not count: 40 + 60 minutes on the clock at 200.
        ([gas(60, 6.5), flag(100, "theatre", 140), target(110, until=130), target(200)], Made(60, 200, 100)),
        # Found while excluded until 100: the clock starts then. Excluded 110-130: 10 + 20 minutes at 150.
        ([gas(60, 6.5), flag(0, "resuscitation", 100), target(150), flag(110, "theatre", 130)], Made(100, 150, 30)),
    ],
)
def test_suited_target_after_the_evidence(records: list[Record], expected: Made) -> None:
    assert made(suited_target, chart(480, *records)) == [expected]


@pytest.mark.parametrize("records", [[target(0)], [flag(0, "copd")], [gas(60, 5.9)], []])
def test_a_low_target_or_a_risk_alone_starts_no_clock(records: list[Record]) -> None:
    assert made(suited_target, chart(480, *records)) == []


def test_history_from_another_stay_counts_from_admission_and_says_so() -> None:
    earlier = chart(100, gas(50, 7.0), stay_id="r", admitted=chart(0)["stays"][0]["admitted_at"].replace(day=1))
    tables = together([earlier, chart(480, target(20))])
    row = rows(suited_target, tables)[1]
    assert (row["stay_id"], row["started_at"], row["minutes"], row["retainer"]) == ("s", 0, 20, "history")
    assert row["limit_minutes"] is row["in_time"] is None
