"""Why a stay is listed, in words: values and order of events, never a cause."""

from datetime import datetime
from typing import Any

from reports.review_reasons import Entry, entries

NOTHING: dict[str, Any] = {
    "stay_id": "S1",
    "began_at": datetime(2026, 6, 10, 12),
    "ward": "Alder",
    "device": "simple_mask",
    "runs": 0,
    "above_s": 0,
    "longest_s": 0,
    "acidosis_ph": None,
    "acidosis_pco2_kpa": None,
    "rise_kpa": None,
    "rise_from_kpa": None,
    "rise_to_kpa": None,
    "after_gas_s": 0,
    "without_gas": False,
    "late_ventilation": False,
    "uncontrolled_minutes": None,
    "below_s": 0,
}


def entry(**row: Any) -> Entry:
    return entries([NOTHING | row], "Europe/London", 60)[0]


def test_every_reason_has_its_sentence_in_the_order_of_the_list() -> None:
    found = entry(
        acidosis_ph=7.294,
        acidosis_pco2_kpa=8.4,
        rise_kpa=1.2,
        rise_from_kpa=6.4,
        rise_to_kpa=7.6,
        late_ventilation=True,
        without_gas=True,
        uncontrolled_minutes=95.0,
        runs=3,
        above_s=40_000,
        longest_s=18_000,
        after_gas_s=7_200,
        below_s=3_600,
    )
    assert found.reasons == (
        "A gas afterwards showed respiratory acidosis (pH 7.294, pCO2 8.4 kPa)",
        "The pCO2 was higher in the gas after time above the band than in the one before (from 6.4 to 7.6 kPa)",
        "Bilevel ventilation not within the time asked for after a gas that showed acidosis",
        "No gas within 60 minutes of an episode of high oxygen with a reading above the band",
        "Oxygen not controlled for 1 h 35 min after the first gas that showed CO2 retention",
        "Above the band on oxygen for 11 h 6 min, in 3 stretches, the longest 5 h, 2 h of it once a gas had shown CO2 "
        "retention; below it for 1 h",
    )


def test_below_stands_beside_above_on_every_line() -> None:
    assert entry(runs=1, above_s=7_200, longest_s=7_200).reasons == (
        "Above the band on oxygen for 2 h; never below it",
    )
    assert entry(below_s=30_000).reasons == ("Never above the band on oxygen; below it for 8 h 20 min",)
    all_after = entry(runs=1, above_s=7_200, longest_s=7_200, after_gas_s=7_200)
    assert "all of it once a gas had shown CO2 retention" in all_after.reasons[0]


def test_where_to_begin_is_local_and_what_is_not_known_is_said() -> None:
    found = entry()
    assert (found.began, found.ward, found.device) == ("10 Jun, 13:00", "Alder", "simple mask")
    unknown = entry(began_at=None, ward=None, device=None)
    assert (unknown.began, unknown.ward, unknown.device) == (
        "\N{EN DASH}",
        "no ward recorded",
        "no device recorded",
    )


def test_the_command_draws_the_stay_whatever_its_key() -> None:
    assert entry().command == "bandaudit case --store FILE --stay S1 --out FOLDER"
    # Quoted as a POSIX shell wants it (`shlex.quote` of the standard library).
    assert entry(stay_id="S 1; rm x").command == "bandaudit case --store FILE --stay 'S 1; rm x' --out FOLDER"
