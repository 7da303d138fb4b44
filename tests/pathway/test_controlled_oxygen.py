"""Controlled oxygen after the first retaining gas.

Source: BTS guideline for oxygen use in adults (2017), summary table 4: start with 24 % or 28 %, or 1-2 L/min by nasal
cannula. 28 % is controlled at the default threshold, 29 % is not. Expected values by hand, minutes from admission.
"""

import pytest

from pipeline.pathway.controlled_oxygen import controlled_oxygen
from tests.charts import Record, chart, device, flag, gas
from tests.pathway.made import Made, made, rows

GAS = gas(60, 6.5)
RESERVOIR = device(0, "reservoir_mask", 15)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # A 28 % valve at 100: 40 minutes.
        ([RESERVOIR, GAS, device(100, "air_entrainment_mask", 4, 0.28)], Made(60, 100, 40)),
        # 35 % is not controlled; the cannula at 2 L/min (28 %) at 130 is, at 3 L/min (32 %) it would not be.
        (
            [
                RESERVOIR,
                GAS,
                device(100, "air_entrainment_mask", 8, 0.35),
                device(110, "nasal_cannula", 3),
                device(130, "nasal_cannula", 2),
            ],
            Made(60, 130, 70),
        ),
        # Room air; a cannula at no flow is room air.
        ([RESERVOIR, GAS, device(90, "room_air")], Made(60, 90, 30)),
        ([RESERVOIR, GAS, device(90, "nasal_cannula", 0)], Made(60, 90, 30)),
        # Ventilation ends it whatever the fraction.
        ([RESERVOIR, GAS, device(75, "bilevel_niv", None, 0.4)], Made(60, 75, 15)),
        ([RESERVOIR, GAS, device(75, "bilevel_niv")], Made(60, 75, 15)),
        ([RESERVOIR, GAS, device(75, "invasive_ventilation", None, 0.6)], Made(60, 75, 15)),
        # High flow with a recorded 28 %; without a fraction it cannot be told, and the wait goes on to 120.
        ([RESERVOIR, GAS, device(75, "high_flow_nasal", 40, 0.28)], Made(60, 75, 15)),
        ([RESERVOIR, GAS, device(75, "high_flow_nasal", 40), device(120, "room_air")], Made(60, 120, 60)),
        # A valve without its printed concentration cannot be told either.
        ([RESERVOIR, GAS, device(75, "air_entrainment_mask", 4), device(120, "room_air")], Made(60, 120, 60)),
        # A simple mask is no controlled device, whatever fraction was written down.
        ([RESERVOIR, GAS, device(75, "simple_mask", 5, 0.28), device(120, "room_air")], Made(60, 120, 60)),
        # Controlled already, or from that instant.
        ([device(0, "nasal_cannula", 2), GAS], Made(60, 60, 0)),
        ([RESERVOIR, GAS, device(60, "nasal_cannula", 1)], Made(60, 60, 0)),
        ([device(0, "bilevel_niv", None, 0.5), GAS], Made(60, 60, 0)),
        # Never: until discharge at 480.
        ([RESERVOIR, GAS], Made(60, None, 420)),
        # A nebuliser driven by oxygen over a 24 % valve: ends at 72.
        (
            [device(0, "air_entrainment_mask", 2, 0.24), device(55, "oxygen_driven_nebuliser", 8, until=72), GAS],
            Made(60, 72, 12),
        ),
        # The first retaining gas counts, not a later one; a capillary one as well.
        ([RESERVOIR, gas(30, 6.1, sample_type="capillary"), GAS, device(90, "room_air")], Made(30, 90, 60)),
        # Taken while excluded until 80: from then. Excluded 90-100 again: 10 + 20 minutes at 120.
        (
            [RESERVOIR, GAS, flag(0, "resuscitation", 80), flag(90, "theatre", 100), device(120, "nasal_cannula", 1)],
            Made(80, 120, 30),
        ),
        # Controlled only while excluded (70-80) does not count.
        (
            [
                RESERVOIR,
                GAS,
                flag(70, "theatre", 80),
                device(70, "nasal_cannula", 1),
                device(80, "reservoir_mask", 15),
                device(100, "room_air"),
            ],
            Made(60, 100, 30),
        ),
    ],
)
def test_until_oxygen_is_controlled(records: list[Record], expected: Made) -> None:
    assert made(controlled_oxygen, chart(480, *records)) == [expected]


@pytest.mark.parametrize(
    "records",
    [
        [device(0, "room_air"), GAS, device(90, "reservoir_mask", 15)],  # on air at the gas
        [GAS, device(90, "reservoir_mask", 15)],  # nothing known at the gas
        [device(0, "other"), GAS],  # not known whether oxygen
        [device(0, "air_entrainment_mask", 4), GAS],  # may be controlled: no printed concentration
        [device(0, "nasal_cannula"), GAS],  # may be controlled: no flow
        [RESERVOIR, flag(0, "previous_hypercapnia")],  # history alone
        [RESERVOIR, gas(60, 8, sample_type="venous")],
        [RESERVOIR, GAS, flag(30, "end_of_life_care")],
    ],
)
def test_no_row(records: list[Record]) -> None:
    assert made(controlled_oxygen, chart(480, *records)) == []


def test_it_rests_on_a_gas_and_has_no_limit() -> None:
    (row,) = rows(controlled_oxygen, chart(480, RESERVOIR, GAS))
    assert (row["retainer"], row["limit_minutes"], row["in_time"], row["done"]) == ("gas", None, None, False)
