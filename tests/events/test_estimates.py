"""Episodes under the low, the best and the high estimate of the inspired fraction, worked out by hand."""

from typing import Any

import pytest

from pipeline.events.estimates import episode_estimates
from tests.charts import Record, chart, device, flag, reading, target, ward
from tests.events.batches import rows_of

RETAINER = flag(0, "oxygen_alert")


def held(*records: Record, minutes: int = 600) -> dict[str, list[tuple[float, int]]]:
    """For each estimate the start in minutes and the high minutes of its episodes."""
    found: dict[str, list[tuple[float, int]]] = {"low": [], "best": [], "high": []}
    for row in rows_of(episode_estimates, chart(minutes, RETAINER, *records)):
        found[row["estimate"]].append((row["started_at"], row["high_s"] // 60))
    return found


@pytest.mark.parametrize(
    ("what", "low", "best", "high"),
    [
        # 0.24 / 0.28 / 0.32: 0.28 itself is not high.
        (device(60, "nasal_cannula", flow=2), False, False, True),
        # 0.22 / 0.24 / 0.26.
        (device(60, "nasal_cannula", flow=1), False, False, False),
        # 0.28 / 0.36 / 0.44.
        (device(60, "nasal_cannula", flow=4), False, True, True),
        # 0.30 / 0.40 / 0.50.
        (device(60, "nasal_cannula", flow=5), True, True, True),
        # 0.265 / 0.28 / 0.30, and 0.295 / 0.31 / 0.33.
        (device(60, "air_entrainment_mask", flow=4, fio2=0.28), False, False, True),
        (device(60, "air_entrainment_mask", flow=6, fio2=0.31), True, True, True),
        # As recorded: no range.
        (device(60, "bilevel_niv", fio2=0.28), False, False, False),
        (device(60, "bilevel_niv", fio2=0.29), True, True, True),
    ],
)
def test_which_estimates_call_a_device_high(what: Record, low: bool, best: bool, high: bool) -> None:
    found = held(what)
    assert {name: bool(rows) for name, rows in found.items()} == {"low": low, "best": best, "high": high}
    assert all(rows in ([], [(60, 540)]) for rows in found.values())


def test_two_episodes_may_become_one_under_a_higher_estimate() -> None:
    # 0.36 on both sides of an hour at 0.28: that hour is high only under the high estimate.
    def cannula(at: int, flow: float) -> Record:
        return device(at, "nasal_cannula", flow=flow)

    found = held(cannula(0, 4), cannula(60, 2), cannula(120, 4), cannula(180, 1))
    assert found == {"low": [], "best": [(0, 60), (120, 60)], "high": [(0, 180)]}


def test_each_row_has_where_and_when_it_started_and_whether_it_could_be_called_avoidable() -> None:
    records = [ward(0, "Ash"), target(0), device(60, "nasal_cannula", flow=4), reading(90, 95)]
    rows = rows_of(episode_estimates, chart(600, *records))
    kept: list[dict[str, Any]] = [{name: row[name] for name in row if name != "estimate"} for row in rows]
    expected = {
        "stay_id": "s",
        "ward": "Ash",
        "month": "2026-01",
        "started_at": 60,
        "high_s": 540 * 60,
        "saturation_during": "above",
    }
    assert [row["estimate"] for row in rows] == ["best", "high"]
    assert kept == [expected, expected]
