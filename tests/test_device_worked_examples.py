"""Which device is in force, who is on oxygen and how much is inspired: small stays worked out by hand.

Source of every expected value: the definitions, by hand, unless a test names another; put to the tool and to the
slow walk alike. Minutes count from the admission.
"""

import pytest

from tests.charts import chart, device, reading, target
from tests.two_ways import WAYS, minutes_in, state

pytestmark = pytest.mark.parametrize("way", WAYS)


def test_a_nebuliser_lies_on_top_of_the_cannula(way: str) -> None:
    # No end recorded: it lasts 30 minutes, then the cannula at 2 L/min (0.20 + 0.08) is back.
    tables = chart(120, device(0, "nasal_cannula", flow=2), device(60, "oxygen_driven_nebuliser"))
    assert [state(way, tables, at)["fio2"] for at in (59, 60, 89, 90, 119)] == [0.28, 0.5, 0.5, 0.28, 0.28]
    assert state(way, tables, 90)["device"] == "nasal_cannula"
    assert state(way, tables, 90)["flow_l_min"] == 2


def test_a_nebuliser_with_its_own_end_lasts_until_then(way: str) -> None:
    tables = chart(120, device(0, "room_air"), device(10, "oxygen_driven_nebuliser", until=75))
    assert state(way, tables, 74)["device"] == "oxygen_driven_nebuliser"
    assert state(way, tables, 75)["device"] == "room_air"


def test_nebulisers_stack_down_to_the_cannula(way: str) -> None:
    # One from 60 to 120; another on top at 70 without an end, so to 100; then the first; at 120 the cannula.
    tables = chart(
        180,
        device(0, "nasal_cannula", flow=1),
        device(60, "oxygen_driven_nebuliser", flow=6, until=120),
        device(70, "oxygen_driven_nebuliser", flow=8),
    )
    flows = [state(way, tables, at)["flow_l_min"] for at in (59, 60, 70, 99, 100, 119, 120)]
    assert flows == [1, 6, 8, 8, 6, 6, 1]


def test_two_ended_nebulisers_give_back_the_cannula_below_both(way: str) -> None:
    # The first would have run to 30, the second from 20 to 50: at 50 both are over.
    tables = chart(
        120,
        device(0, "nasal_cannula", flow=1),
        device(5, "oxygen_driven_nebuliser"),
        device(20, "oxygen_driven_nebuliser"),
    )
    names = [state(way, tables, at)["device"] for at in (34, 49, 50)]
    assert names == ["oxygen_driven_nebuliser", "oxygen_driven_nebuliser", "nasal_cannula"]


def test_a_device_that_ended_under_a_nebuliser_does_not_come_back(way: str) -> None:
    tables = chart(120, device(0, "nasal_cannula", flow=2, until=70), device(60, "oxygen_driven_nebuliser"))
    assert state(way, tables, 89)["device"] == "oxygen_driven_nebuliser"
    assert state(way, tables, 90)["device"] is None
    assert state(way, tables, 90)["on_oxygen"] is None


def test_a_device_under_a_nebuliser_keeps_its_own_carry(way: str) -> None:
    # The cannula of minute 0 runs out after 24 hours, whatever lay on top in between.
    tables = chart(1500, device(0, "nasal_cannula", flow=2), device(1400, "oxygen_driven_nebuliser"))
    assert state(way, tables, 1439)["device"] == "nasal_cannula"
    assert state(way, tables, 1440)["device"] is None


def test_a_later_record_ends_a_nebuliser_and_what_lies_under_it(way: str) -> None:
    tables = chart(
        120,
        device(0, "nasal_cannula", flow=2),
        device(60, "oxygen_driven_nebuliser"),
        device(70, "simple_mask", flow=5, until=80),
    )
    assert [state(way, tables, at)["device"] for at in (69, 79, 80)] == [
        "oxygen_driven_nebuliser",
        "simple_mask",
        None,
    ]


def test_a_nebuliser_over_nothing_leaves_nothing(way: str) -> None:
    tables = chart(60, device(0, "oxygen_driven_nebuliser"))
    assert [state(way, tables, at)["device"] for at in (29, 30)] == ["oxygen_driven_nebuliser", None]


def test_a_device_without_an_end_runs_out_after_24_hours(way: str) -> None:
    tables = chart(1500, target(0), device(0, "nasal_cannula", flow=2), *(reading(h, 99) for h in (0, 300, 1200)))
    # 0-660 observed, 660-1200 not, 1200-1440 observed on oxygen, 1440-1500 above with the device unknown.
    assert minutes_in(way, tables) == {"above_on_oxygen": 900, "unobserved": 540, "above_device_unknown": 60}


def test_a_device_with_an_end_is_not_cut_at_24_hours(way: str) -> None:
    tables = chart(1800, device(0, "nasal_cannula", flow=2, until=1600))
    assert [state(way, tables, at)["device"] for at in (1441, 1599, 1600)] == [
        "nasal_cannula",
        "nasal_cannula",
        None,
    ]


def test_a_record_that_ends_when_it_starts_leaves_nothing_in_force(way: str) -> None:
    tables = chart(60, device(0, "nasal_cannula", flow=2), device(30, "simple_mask", flow=5, until=30))
    assert [state(way, tables, at)["device"] for at in (29, 30)] == ["nasal_cannula", None]


def test_above_the_band_is_split_by_what_the_patient_breathed(way: str) -> None:
    tables = chart(
        60,
        target(0),
        reading(0, 97),
        device(20, "room_air"),
        device(40, "nasal_cannula", flow=1),
    )
    assert minutes_in(way, tables) == {
        "above_device_unknown": 20,
        "above_on_air": 20,
        "above_on_oxygen": 20,
    }


@pytest.mark.parametrize(
    ("name", "flow", "fio2", "expected"),
    [
        ("room_air", 4, None, False),
        ("nasal_cannula", None, None, True),
        ("nasal_cannula", 0, None, False),
        ("nasal_cannula", 0, 0.21, False),
        ("nasal_cannula", 0, 0.28, True),
        ("air_entrainment_mask", None, 0.21, True),
        ("reservoir_mask", 0, None, False),
        ("oxygen_driven_nebuliser", 0, None, True),
        ("cpap", None, None, None),
        ("cpap", 0, None, False),
        ("cpap", None, 0.21, False),
        ("cpap", 2, None, True),
        ("bilevel_niv", 0, 0.28, True),
        ("tracheostomy_mask", None, None, None),
        ("tracheostomy_mask", 0, None, False),
        ("other", 0, 0.21, False),
    ],
)
def test_who_is_on_oxygen(way: str, name: str, flow: float | None, fio2: float | None, expected: bool | None) -> None:
    assert state(way, chart(20, device(0, name, flow, fio2)), 10)["on_oxygen"] is expected


@pytest.mark.parametrize(
    ("name", "flow", "fio2", "expected"),
    [
        # Flow to fraction: conversion tables named in the policy file; the rest by the definitions.
        ("room_air", None, 0.5, (0.21, 0.21, 0.21)),
        ("nasal_cannula", 0, None, (0.21, 0.21, 0.21)),
        ("nasal_cannula", 0.1, None, (0.21, 0.21, 0.21)),
        ("nasal_cannula", 1, None, (0.24, 0.22, 0.26)),
        ("nasal_cannula", 2, None, (0.28, 0.24, 0.32)),
        ("nasal_cannula", 6, None, (0.44, 0.32, 0.56)),
        ("nasal_cannula", 6.5, None, (0.44, 0.32, 0.59)),
        ("nasal_cannula", 15, None, (0.44, 0.32, 0.60)),
        ("nasal_cannula", None, None, (None, None, None)),
        ("nasal_cannula", 0, 0.4, (0.4, 0.4, 0.4)),
        ("simple_mask", 4.9, None, (0.35, 0.30, 0.60)),
        ("simple_mask", 5, None, (0.40, 0.30, 0.60)),
        ("simple_mask", 6, None, (0.50, 0.30, 0.60)),
        ("simple_mask", 7, None, (0.60, 0.30, 0.60)),
        ("simple_mask", 0, None, (None, None, None)),
        ("tracheostomy_mask", 5, None, (0.40, 0.30, 0.60)),
        ("reservoir_mask", 6.9, None, (0.60, 0.60, 0.95)),
        ("reservoir_mask", 7, None, (0.70, 0.60, 0.95)),
        ("reservoir_mask", 8, None, (0.80, 0.60, 0.95)),
        ("reservoir_mask", 9, None, (0.90, 0.60, 0.95)),
        ("reservoir_mask", 10, None, (0.95, 0.60, 0.95)),
        ("air_entrainment_mask", 4, 0.28, (0.28, 0.265, 0.30)),
        ("air_entrainment_mask", 15, 0.6, (0.6, 0.50, 0.62)),
        ("air_entrainment_mask", 15, 0.21, (0.21, 0.21, 0.23)),
        ("air_entrainment_mask", 15, 1.0, (1.0, 0.50, 1.0)),
        ("air_entrainment_mask", 4, None, (None, None, None)),
        ("oxygen_driven_nebuliser", None, None, (0.50, 0.40, 0.60)),
        ("oxygen_driven_nebuliser", 8, None, (0.50, 0.40, 0.60)),
        ("high_flow_nasal", 40, None, (None, None, None)),
        ("high_flow_nasal", 40, 0.35, (0.35, 0.35, 0.35)),
        ("other", 2, None, (None, None, None)),
    ],
)
def test_inspired_oxygen_by_device(
    way: str, name: str, flow: float | None, fio2: float | None, expected: tuple[float | None, ...]
) -> None:
    now = state(way, chart(20, device(0, name, flow, fio2)), 10)
    assert (now["fio2"], now["fio2_low"], now["fio2_high"]) == expected
