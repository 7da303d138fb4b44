"""Bilevel ventilation after acidosis, on both published clocks.

Sources: BTS quality standards for acute non-invasive ventilation (2018): within 60 minutes of the gas that defines the
need, 120 minutes of arrival. BTS/ICS guideline (2016): pH below 7.35 and pCO2 above 6.5 kPa; BTS (2008): after at most
an hour of treatment. NICE QS10 statement 7: not improving after an hour. Expected values by hand, in minutes.
"""

import pytest

from pipeline.pathway.ventilation import bilevel_after_arrival, bilevel_after_gas
from tests.charts import Record, chart, device, flag, gas
from tests.pathway.made import Made, made, rows
from tests.strategies import policy_of


def acid(at: int, pco2_kpa: float | None = 8.0, ph: float | None = 7.28, sample_type: str = "arterial") -> Record:
    return gas(at, pco2_kpa, ph, sample_type)


def niv(at: int, name: str = "bilevel_niv") -> Record:
    return device(at, name, None, 0.3)


FIRST, LATER = acid(100), acid(160)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # Still acidotic exactly an hour later: the clock starts at 160. Ventilated after 40 minutes.
        ([FIRST, LATER, niv(200)], Made(160, 200, 40, True)),
        # The limit of 60 minutes met exactly, missed by one.
        ([FIRST, LATER, niv(220)], Made(160, 220, 60, True)),
        ([FIRST, LATER, niv(221)], Made(160, 221, 61, False)),
        # Already ventilated at it, or from that instant; invasive ventilation counts.
        ([FIRST, niv(130), LATER], Made(160, 160, 0, True)),
        ([FIRST, LATER, niv(160, "invasive_ventilation")], Made(160, 160, 0, True)),
        # Ventilated, but no longer at the gas: waited for again. CPAP is not bilevel.
        ([FIRST, niv(110), device(150, "nasal_cannula", 1), LATER, niv(200)], Made(160, 200, 40, True)),
        ([FIRST, LATER, niv(170, "cpap"), niv(200)], Made(160, 200, 40, True)),
        # Never, by discharge at 480.
        ([FIRST, LATER], Made(160, None, 320, False)),
        # 59 minutes after is too soon to say that it persists; the gas at 200 says it.
        ([FIRST, acid(159), acid(200)], Made(200, None, 280, False)),
        # A gas at 130 free of it: found anew at 160, still there at 230.
        ([FIRST, gas(130, 8.0, 7.35), LATER, acid(230)], Made(230, None, 250, False)),
        ([FIRST, gas(130, 6.5, 7.2), LATER, acid(230)], Made(230, None, 250, False)),
        # A venous gas, and one without a pH, neither show it nor its end.
        ([FIRST, gas(130, 5, 7.4, "venous"), gas(140, 8.0, None), LATER], Made(160, None, 320, False)),
        ([acid(40, sample_type="venous"), FIRST, acid(160, sample_type="capillary")], Made(160, None, 320, False)),
        # pH 7.40 is free of it, whatever the pCO2 not recorded.
        ([FIRST, gas(130, None, 7.40), LATER, acid(230)], Made(230, None, 250, False)),
        # A gas at 180 free of it: no longer due after 20 minutes. At 220 the limit is up: it was due.
        ([FIRST, LATER, gas(180, 6.0, 7.40), niv(200)], Made(160, None, 20, None)),
        ([FIRST, LATER, gas(220, 6.0, 7.40)], Made(160, None, 320, False)),
        ([FIRST, LATER, niv(180), gas(180, 6.0, 7.40)], Made(160, 180, 20, True)),
        # A gas in excluded time neither starts the clock (160 left out, 250 counts) ...
        ([FIRST, LATER, flag(150, "critical_care", 170), acid(250)], Made(250, None, 230, False)),
        # ... nor is the first one (100 left out: 160 is the first, 250 the later).
        ([FIRST, flag(90, "resuscitation", 110), LATER, acid(250)], Made(250, None, 230, False)),
        # To critical care at 180, ventilated there at 300: done after 20 minutes on the clock.
        ([FIRST, LATER, flag(180, "critical_care"), niv(300)], Made(160, 300, 20, True)),
        # Not ventilated there: the clock stands, it cannot be told.
        ([FIRST, LATER, flag(180, "end_of_life_care")], Made(160, None, 20, None)),
    ],
)
def test_after_the_gas_that_shows_it_to_persist(records: list[Record], expected: Made) -> None:
    assert made(bilevel_after_gas, chart(480, *records)) == [expected]


@pytest.mark.parametrize(
    "records",
    [
        [FIRST],
        [FIRST, acid(159)],
        [FIRST, gas(130, 6.0, 7.4)],
        # 7.35 and 6.5 kPa are the edges: neither is acidosis here.
        [acid(100, ph=7.35), acid(160, ph=7.35)],
        [acid(100, pco2_kpa=6.5), acid(160, pco2_kpa=6.5)],
        [acid(100, pco2_kpa=None), acid(160, pco2_kpa=None)],
        [acid(100, sample_type="venous"), acid(160, sample_type="venous")],
        [FIRST, gas(130, 6.0, 7.4), LATER],
    ],
)
def test_no_persistence_no_clock(records: list[Record]) -> None:
    assert made(bilevel_after_gas, chart(480, *records)) == []


def test_7_349_and_6_51_are_acidosis() -> None:
    edge = [acid(100, 6.51, 7.349), acid(160, 6.51, 7.349)]
    assert made(bilevel_after_gas, chart(480, *edge, niv(190))) == [Made(160, 190, 30, True)]


def test_a_discharge_within_the_hour_cannot_be_told() -> None:
    assert made(bilevel_after_gas, chart(200, FIRST, LATER)) == [Made(160, None, 40, None)]


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # Acidosis at 30, ventilated at 100: the clock is from admission.
        ([acid(30), niv(100)], Made(0, 100, 100, True)),
        ([acid(30), niv(120)], Made(0, 120, 120, True)),
        ([acid(30), niv(121)], Made(0, 121, 121, False)),
        ([acid(30)], Made(0, None, 480, False)),
        # The gas itself at the limit of 120 minutes still counts.
        ([acid(120), niv(119)], Made(0, 119, 119, True)),
        # Came ventilated.
        ([niv(0), acid(30)], Made(0, 0, 0, True)),
        # An earlier gas without acidosis does not matter, one after it does: no longer due at 90.
        ([gas(10, 5.0, 7.4), acid(30), niv(100)], Made(0, 100, 100, True)),
        ([acid(30), gas(90, 6.0, 7.4), niv(100)], Made(0, None, 90, None)),
        ([acid(30), gas(120, 6.0, 7.4)], Made(0, None, 480, False)),
        # In resuscitation 0-20: audited time starts at 20, ventilated at 100: 80 minutes.
        ([flag(0, "resuscitation", 20), acid(30), niv(100)], Made(20, 100, 80, True)),
    ],
)
def test_after_arrival(records: list[Record], expected: Made) -> None:
    assert made(bilevel_after_arrival, chart(480, *records)) == [expected]


@pytest.mark.parametrize("records", [[acid(121)], [gas(30, 6.5, 7.2)], [flag(0, "theatre", 60), acid(30)], []])
def test_without_acidosis_soon_after_arrival_no_clock(records: list[Record]) -> None:
    assert made(bilevel_after_arrival, chart(480, *records)) == []


def test_limits_and_evidence() -> None:
    (row,) = rows(bilevel_after_gas, chart(480, FIRST, LATER))
    assert (row["limit_minutes"], row["retainer"]) == (60, "gas")
    (row,) = rows(bilevel_after_arrival, chart(480, acid(30)))
    # On arrival nothing was known yet.
    assert (row["limit_minutes"], row["retainer"]) == (120, None)


def test_ventilated_already_is_no_time_even_where_the_gas_is_no_evidence_of_retention() -> None:
    # With a threshold of 9 kPa the gases at 8 kPa cut nothing: the clock still starts at 160, not with the ventilator.
    policy = policy_of({"retainer_pco2_above_kpa": 9.0})
    assert made(bilevel_after_gas, chart(480, FIRST, niv(130), LATER), policy) == [Made(160, 160, 0, True)]
