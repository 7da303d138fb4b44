"""Oxygen-driven nebulisers in patients with evidence of CO2 retention.

Source: BTS guideline for oxygen use in adults (2017), from memory: driven by air in patients at risk; 6 minutes at the
most where oxygen must drive them. Expected values by hand, minutes from admission.
"""

import pytest

from pipeline.pathway.nebulisers import nebuliser_short
from tests.charts import Record, chart, device, flag, gas, target
from tests.pathway.made import Made, made, rows

AT_RISK = flag(0, "oxygen_alert")


def nebuliser(at: int, until: int | None = None) -> Record:
    return device(at, "oxygen_driven_nebuliser", 8, until=until)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        # 6 minutes is the limit: met exactly, missed by one.
        ([nebuliser(60, 65)], [Made(60, 65, 5, True)]),
        ([nebuliser(60, 66)], [Made(60, 66, 6, True)]),
        ([nebuliser(60, 67)], [Made(60, 67, 7, False)]),
        ([nebuliser(60, 60)], [Made(60, 60, 0, True)]),
        # No charted end: 30 minutes are assumed, or until the next record, or discharge at 480; nothing is told.
        ([nebuliser(60)], [Made(60, None, 30, None)]),
        ([nebuliser(60), device(65, "nasal_cannula", 1)], [Made(60, None, 5, None)]),
        ([nebuliser(460)], [Made(460, None, 20, None)]),
        # A charted end after the next record: the next record ended it. The same instant: the same.
        ([nebuliser(60, 80), device(65, "nasal_cannula", 1)], [Made(60, 65, 5, True)]),
        ([nebuliser(60, 66), device(66, "nasal_cannula", 1)], [Made(60, 66, 6, True)]),
        # Charted to end with the stay; after it: 10 minutes until discharge were too long, 5 cannot be told.
        ([nebuliser(470, 480)], [Made(470, 480, 10, False)]),
        ([nebuliser(470, 500)], [Made(470, None, 10, False)]),
        ([nebuliser(475, 500)], [Made(475, None, 5, None)]),
        # Each record by itself.
        ([nebuliser(60, 66), nebuliser(300, 320)], [Made(60, 66, 6, True), Made(300, 320, 20, False)]),
        # Starts while excluded: not due. Excluded 62-70 within it: 2 + 2 minutes.
        ([nebuliser(60, 66), flag(50, "resuscitation", 61)], []),
        ([nebuliser(60, 72), flag(62, "theatre", 70)], [Made(60, 72, 4, True)]),
        # Other devices are none.
        ([device(60, "simple_mask", 8, until=80)], []),
    ],
)
def test_each_nebuliser(records: list[Record], expected: list[Made]) -> None:
    assert made(nebuliser_short, chart(480, AT_RISK, *records)) == expected


@pytest.mark.parametrize(
    ("evidence", "retainer"),
    [
        (gas(60, 6.1), "gas"),
        (target(60), "target"),
        (flag(60, "previous_hypercapnia"), "history"),
        (flag(61, "previous_hypercapnia"), "none due"),
        (gas(60, 8, sample_type="venous"), "none due"),
    ],
)
def test_it_is_due_on_the_evidence_at_its_start(evidence: Record, retainer: str) -> None:
    found = rows(nebuliser_short, chart(480, evidence, nebuliser(60, 66)))
    assert [row["retainer"] for row in found] == ([] if retainer == "none due" else [retainer])
