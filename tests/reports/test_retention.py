"""Distance from the band, gases around changes of oxygen, dose and waste: figures in words, small counts not shown."""

import polars as pl
import pytest

from reports import retention

NBSP, DASH, MINUS = "\N{NO-BREAK SPACE}", "\N{EN DASH}", "\N{MINUS SIGN}"

SMALL = 8
STEPS = ["below_by_1", "below_by_2", "below_by_more"]
STEPS += ["above_on_oxygen_by_1", "above_on_oxygen_by_2", "above_on_oxygen_by_more"]


def in_plain(texts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(text.replace(NBSP, " ") for text in texts)


def distance_rows(patients: int = 20) -> pl.DataFrame:
    """200 readings: 10, 4, 2 below by 1, 2, more; 30, 20, 14 above."""
    counts = dict(zip(STEPS, (10, 4, 2, 30, 20, 14), strict=True))
    return pl.DataFrame([{"group": "retainer", "patients": patients, "readings": 200, **counts}])


def test_distances_are_shares_of_all_readings_from_far_below_to_far_above() -> None:
    found, others = retention.distances(distance_rows(), SMALL)
    # 2/200, 4/200, 10/200, 30/200, 20/200, 14/200
    assert in_plain(found.shares) == ("1.0 %", "2.0 %", "5.0 %", "15 %", "10 %", "7.0 %")
    assert found.readings == "200"
    assert others.why == "none"


def test_above_on_oxygen_stays_empty_where_nobody_knows_who_was_on_oxygen() -> None:
    found, _ = retention.distances(distance_rows(), SMALL, knows_oxygen=False)
    assert in_plain(found.shares) == ("1.0 %", "2.0 %", "5.0 %", DASH, DASH, DASH)


@pytest.mark.parametrize(("patients", "shown"), [(7, False), (8, True)])
def test_few_patients_are_not_shown(patients: int, shown: bool) -> None:
    [distance, _] = retention.distances(distance_rows(patients), SMALL)
    [effect, _] = retention.effects(effect_rows(patients), SMALL)
    [excess, _] = retention.excess(excess_rows(patients), SMALL)
    for row in (distance, effect, excess):
        assert (row.why == "") is shown
        assert row.why in ("", "not shown: small numbers")
    assert (excess.hours == DASH) is not shown
    assert (effect.pco2 == DASH) is not shown
    assert set(distance.shares) == {DASH} or shown


def effect_rows(patients: int = 9) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "direction": "more",
                "changes": 1200,
                "pairs": 11,
                "patients": patients,
                "pco2_change_median_kpa": 0.31,
                "pco2_change_q1_kpa": -0.2,
                "pco2_change_q3_kpa": 0.755,
                "pco2_risen_pairs": 4,
                "ph_change_median": -0.01,
                "ph_change_q1": -0.03,
                "ph_change_q3": 0.0,
            }
        ]
    )


def test_effects_give_the_median_with_the_middle_half_and_signs() -> None:
    more, less = retention.effects(effect_rows(), SMALL)
    assert (more.direction, more.changes, more.pairs) == ("More oxygen", "1,200", "11 (9 patients)")
    assert more.pco2 == f"+0.31 kPa ({MINUS}0.20 to +0.76)"
    assert more.ph == f"{MINUS}0.010 ({MINUS}0.030 to +0.000)"
    assert more.risen == "4 of 11"
    assert (less.direction, less.changes, less.why) == ("Less oxygen", DASH, "none")


def excess_rows(patients: int = 12) -> pl.DataFrame:
    row = {"group": "retainer", "patients": patients, "runs": 40, "hours": 123.4, "percent_hours": 345.6}
    return pl.DataFrame([{**row, "litres": 45_678.9, "litres_unknown_hours": 2.2}])


def test_excess_is_told_in_whole_hours_and_litres_with_what_is_unknown() -> None:
    found, others = retention.excess(excess_rows(), SMALL)
    assert (found.patients, found.hours, found.percent_hours, found.litres) == ("12", "123", "346", "45,679")
    assert found.unknown == "flow not charted for 2 hours"
    assert others.why == "none"


def test_episodes_are_told_under_each_estimate() -> None:
    told = retention.estimates_in_words({"low": 8, "best": 12, "high": 48}, 0.28)
    assert f"more than 28{NBSP}%" in told
    assert "8 under the lowest, 12 under the best and 48 under the highest plausible estimate" in told
    assert retention.estimates_in_words({}, 0.28) == ""
