"""Episodes of high inspired oxygen worked out by hand, one edge each; put to the tool and to the slow walk alike.

Source of every expected value: the definitions, by hand. Minutes count from the admission.
"""

from typing import Any

import pytest

from tests.charts import Record, Tables, chart, device, flag, gas, reading, target
from tests.two_ways import WAYS, episodes

pytestmark = pytest.mark.parametrize("way", WAYS)
RETAINER = flag(0, "oxygen_alert")


def on_mask(*spans: tuple[int, int], flow: float = 5) -> list[Record]:
    """A simple mask (0.40 at 5 L/min) over each span, nothing recorded between."""
    return [device(start, "simple_mask", flow=flow, until=end) for start, end in spans]


def spans_of(way: str, tables: Tables) -> list[tuple[float, float, int]]:
    """Start and end in minutes, and the high minutes."""
    return [(row["started_at"], row["ended_at"], row["high_s"] // 60) for row in episodes(way, tables)]


def only(way: str, tables: Tables) -> dict[str, Any]:
    rows = episodes(way, tables)
    assert len(rows) == 1
    return rows[0]


# --- what an episode is -------------------------------------------------------------------------------------


@pytest.mark.parametrize("flow", [1, 2])
def test_a_cannula_at_1_or_2_litres_is_never_high(way: str, flow: float) -> None:
    # First-line controlled oxygen, British Thoracic Society guideline (2017), summary table 4.
    assert episodes(way, chart(600, RETAINER, device(0, "nasal_cannula", flow=flow))) == []


def test_a_cannula_above_2_litres_is_high(way: str) -> None:
    # 0.20 + 0.04 x 2.1 = 0.284.
    row = only(way, chart(600, RETAINER, device(60, "nasal_cannula", flow=2.1)))
    assert (row["started_at"], row["ended_at"], row["peak_fio2"]) == (60, 600, 0.284)


@pytest.mark.parametrize(("printed", "count"), [(0.24, 0), (0.28, 0), (0.31, 1)])
def test_only_valves_above_28_percent_are_high(way: str, printed: float, count: int) -> None:
    tables = chart(600, RETAINER, device(0, "air_entrainment_mask", flow=4, fio2=printed))
    assert len(episodes(way, tables)) == count


def test_a_stay_without_any_evidence_has_no_episodes(way: str) -> None:
    assert episodes(way, chart(600, target(0, 94, 98), *on_mask((0, 300)))) == []


@pytest.mark.parametrize(("minutes", "count"), [(29, 0), (30, 1), (31, 1)])
def test_an_episode_has_at_least_30_high_minutes(way: str, minutes: int, count: int) -> None:
    assert len(episodes(way, chart(600, RETAINER, *on_mask((60, 60 + minutes))))) == count


def test_stretches_30_minutes_apart_are_one_and_31_apart_are_two(way: str) -> None:
    assert spans_of(way, chart(600, RETAINER, *on_mask((0, 40), (70, 110)))) == [(0, 110, 80)]
    assert spans_of(way, chart(600, RETAINER, *on_mask((0, 40), (71, 111)))) == [(0, 40, 40), (71, 111, 40)]


def test_short_stretches_are_joined_before_their_high_time_is_judged(way: str) -> None:
    # Three times ten minutes, twenty apart: 30 high minutes; without the last only 20.
    assert spans_of(way, chart(600, RETAINER, *on_mask((0, 10), (30, 40), (60, 70)))) == [(0, 70, 30)]
    assert spans_of(way, chart(600, RETAINER, *on_mask((0, 10), (30, 40)))) == []


def test_excluded_time_counts_as_gap(way: str) -> None:
    # High 0-200; excluded 40-70 (30 minutes, joined) and 100-140 (40 minutes, parted).
    tables = chart(
        600,
        RETAINER,
        *on_mask((0, 200)),
        flag(40, "theatre", until=70),
        flag(100, "resuscitation", until=140),
    )
    assert spans_of(way, tables) == [(0, 100, 70), (140, 200, 60)]


def test_unknown_inspired_oxygen_counts_as_gap(way: str) -> None:
    # A simple mask without a flow from 40 to 90: 50 minutes unknown.
    tables = chart(
        600,
        RETAINER,
        device(0, "simple_mask", flow=5),
        device(40, "simple_mask"),
        device(90, "simple_mask", flow=5, until=120),
    )
    assert spans_of(way, tables) == [(0, 40, 40), (90, 120, 30)]


def test_a_nebuliser_of_30_minutes_is_an_episode(way: str) -> None:
    tables = chart(600, RETAINER, device(0, "room_air"), device(60, "oxygen_driven_nebuliser"))
    row = only(way, tables)
    assert (row["started_at"], row["ended_at"], row["peak_fio2"]) == (60, 90, 0.5)
    assert row["device_at_peak"] == "oxygen_driven_nebuliser"


def test_the_end_of_the_stay_ends_the_episode(way: str) -> None:
    assert spans_of(way, chart(100, RETAINER, device(50, "reservoir_mask", flow=15))) == [(50, 100, 50)]


# --- what is said of it -------------------------------------------------------------------------------------


def test_mean_is_weighted_by_high_time_and_peak_names_its_first_device(way: str) -> None:
    # 0.40 for 30 min, gap of 20, 0.60 for 30 min, 0.60 on another device for 60 min:
    # (0.40 x 30 + 0.60 x 90) / 120 = 0.55.
    tables = chart(
        600,
        RETAINER,
        device(0, "simple_mask", flow=5, until=30),
        device(50, "simple_mask", flow=8),
        device(80, "reservoir_mask", flow=6, until=140),
    )
    row = only(way, tables)
    assert (row["started_at"], row["ended_at"], row["high_s"]) == (0, 140, 7200)
    assert row["mean_fio2"] == pytest.approx(0.55, abs=1e-12)
    assert (row["peak_fio2"], row["device_at_peak"]) == (0.6, "simple_mask")


def test_band_seconds_are_those_of_the_high_time(way: str) -> None:
    # High 0-60 and 80-120. 85 % 0-20 below; 90 % 20-40 within; 96 % 40-100 above, of which 60-80 is gap;
    # target stopped at 100: the last 20 high minutes are in none of the columns.
    tables = chart(
        600,
        target(0, until=100),
        *on_mask((0, 60), (80, 120)),
        reading(0, 85),
        reading(20, 90),
        reading(40, 96),
    )
    row = only(way, tables)
    seconds = [row[column] for column in ("below_s", "within_s", "above_on_oxygen_s", "unobserved_s")]
    assert (row["high_s"], seconds) == (6000, [1200, 1200, 2400, 0])
    assert (row["lower_percent"], row["upper_percent"]) == (88, 92)


def test_high_time_without_a_reading_is_unobserved(way: str) -> None:
    row = only(way, chart(600, target(0), *on_mask((0, 60)), reading(20, 90)))
    assert (row["unobserved_s"], row["within_s"]) == (1200, 2400)


@pytest.mark.parametrize(
    ("readings", "during"),
    [
        ([], "none"),
        ([(10, 88), (20, 92)], "within"),
        ([(10, 87), (20, 90)], "below"),
        ([(10, 87), (20, 93)], "above"),
        ([(50, 95)], "above"),  # in the gap between two joined stretches
        ([(100, 95)], "none"),  # at the very end
        ([(0, 95)], "above"),  # at the very start
        ([(-5, 95)], "none"),  # carried into it, but taken before
    ],
)
def test_saturation_during_looks_at_readings_taken_in_the_episode(
    way: str, readings: list[tuple[int, float]], during: str
) -> None:
    # High from 5 to 45 and from 65 to 105; minutes of the readings count from 5.
    tables = chart(600, target(0), *on_mask((5, 45), (65, 105)), *(reading(5 + at, spo2) for at, spo2 in readings))
    row = only(way, tables)
    inside = [spo2 for at, spo2 in readings if 0 <= at < 100]
    assert row["saturation_during"] == during
    assert (row["spo2_min"], row["spo2_max"]) == (min(inside, default=None), max(inside, default=None))


def test_a_reading_under_no_target_is_seen_but_not_judged(way: str) -> None:
    row = only(way, chart(600, RETAINER, *on_mask((0, 60)), reading(10, 99)))
    assert (row["spo2_max"], row["saturation_during"], row["lower_percent"]) == (99, "none", None)


def test_a_reading_in_excluded_time_within_the_episode_counts(way: str) -> None:
    tables = chart(600, target(0), *on_mask((0, 100)), flag(40, "theatre", until=60), reading(50, 99))
    assert only(way, tables)["saturation_during"] == "above"


def test_a_retainer_not_yet_recognised_at_the_start(way: str) -> None:
    row = only(way, chart(600, *on_mask((0, 60)), gas(90, 7.0, 7.3)))
    assert (row["retainer_at_start"], row["retainer_ever"]) == (None, "gas")


def test_the_gas_before_is_the_last_and_the_gas_after_the_first(way: str) -> None:
    # A gas at the very start is before; a venous one counts for neither.
    tables = chart(
        600,
        *on_mask((60, 120)),
        gas(10, 6.2, 7.38),
        gas(60, 6.5, 7.36),
        gas(70, 9.0, 7.2, sample_type="venous"),
        gas(100, 7.5, 7.3, sample_type="capillary"),
        gas(110, 8.0, 7.2),
    )
    row = only(way, tables)
    assert (row["gas_before_at"], row["gas_before_pco2_kpa"], row["gas_before_ph"]) == (60, 6.5, 7.36)
    assert (row["gas_after_at"], row["gas_after_pco2_kpa"], row["gas_after_ph"]) == (100, 7.5, 7.3)
    assert (row["gas_after_minutes"], row["repeat_gas_in_time"], row["acidosis_after"]) == (40, True, True)


@pytest.mark.parametrize(("after", "in_time"), [(59, True), (60, True), (61, False)])
def test_a_repeat_gas_is_in_time_up_to_60_minutes(way: str, after: int, in_time: bool) -> None:
    row = only(way, chart(600, RETAINER, *on_mask((60, 120)), gas(60 + after, 5.0, 7.4)))
    assert (row["gas_after_minutes"], row["repeat_gas_in_time"]) == (after, in_time)


def test_no_gas_after_is_not_in_time_and_says_nothing_of_acidosis(way: str) -> None:
    row = only(way, chart(90, RETAINER, *on_mask((60, 90)), gas(90, 8.0, 7.2)))
    found = [row[c] for c in ("gas_after_at", "gas_after_minutes", "repeat_gas_in_time", "acidosis_after")]
    assert found == [None, None, False, None]


@pytest.mark.parametrize(
    ("pco2_kpa", "ph", "expected"),
    [
        (6.01, 7.349, True),
        (6.01, 7.35, False),
        (6.0, 7.2, False),
        (9.0, None, None),
        (None, 7.2, None),
        (None, 7.4, False),
    ],
)
def test_acidosis_needs_both_thresholds_crossed(
    way: str, pco2_kpa: float | None, ph: float | None, expected: bool | None
) -> None:
    row = only(way, chart(600, RETAINER, *on_mask((0, 60)), gas(30, pco2_kpa, ph)))
    assert row["acidosis_after"] is expected
