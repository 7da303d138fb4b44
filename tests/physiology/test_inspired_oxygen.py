"""Inspired oxygen by device: every row of the table at its edges, and when oxygen counts as flowing."""

from itertools import product
from typing import Any

import polars as pl
import pytest

from pipeline.physiology.inspired_oxygen import REASONS_UNKNOWN, inspired_oxygen, on_oxygen, unknown_because
from pipeline.policy import read_policy
from pipeline.vocabulary import DEVICES
from tests import oracle

POLICY = read_policy()
UNKNOWN = (None, None, None)
Number = float | None


def estimates(records: list[tuple[str | None, Number, Number]], number: Any = pl.Float64) -> list[tuple[Number, ...]]:
    """Best, low and high for records of device, flow and recorded fraction."""
    schema = {"device": pl.String, "flow_l_min": number, "fio2_fraction": number}
    frame = pl.DataFrame(records, schema=schema, orient="row")
    return frame.select(inspired_oxygen(POLICY)).rows()


def estimate(device: str | None, flow: Number, recorded: Number = None) -> tuple[Number, ...]:
    return estimates([(device, flow, recorded)])[0]


# device, flow in L/min, best, low, high
BY_FLOW = [
    ("room_air", None, 0.21, 0.21, 0.21),
    ("room_air", 0, 0.21, 0.21, 0.21),
    ("room_air", 15, 0.21, 0.21, 0.21),
    # 24, 28, 32, 36, 40, 44 % at 1-6 L/min: conversion table of a sepsis trial (used for SOFA), WHO oxygen toolkit.
    ("nasal_cannula", 1, 0.24, 0.22, 0.26),
    ("nasal_cannula", 2, 0.28, 0.24, 0.32),
    ("nasal_cannula", 3, 0.32, 0.26, 0.38),
    ("nasal_cannula", 4, 0.36, 0.28, 0.44),
    ("nasal_cannula", 5, 0.40, 0.30, 0.50),
    ("nasal_cannula", 6, 0.44, 0.32, 0.56),
    # Between and beyond the printed steps: common practice, no source.
    ("nasal_cannula", 0, 0.21, 0.21, 0.21),
    ("nasal_cannula", 0.1, 0.21, 0.21, 0.21),
    ("nasal_cannula", 0.25, 0.21, 0.21, 0.215),
    ("nasal_cannula", 0.5, 0.22, 0.21, 0.23),
    ("nasal_cannula", 2.1, 0.284, 0.242, 0.326),
    ("nasal_cannula", 6.1, 0.44, 0.32, 0.566),
    ("nasal_cannula", 6.6, 0.44, 0.32, 0.596),
    ("nasal_cannula", 6.7, 0.44, 0.32, 0.60),
    ("nasal_cannula", 15, 0.44, 0.32, 0.60),
    ("nasal_cannula", 80, 0.44, 0.32, 0.60),
    # 5: 40 %; 6-7: 50 %; 7-8: 60 %: the same conversion table. Under 5 L/min: common practice, no source.
    ("simple_mask", 0.1, 0.35, 0.30, 0.60),
    ("simple_mask", 4.9, 0.35, 0.30, 0.60),
    ("simple_mask", 5, 0.40, 0.30, 0.60),
    ("simple_mask", 5.9, 0.40, 0.30, 0.60),
    ("simple_mask", 6, 0.50, 0.30, 0.60),
    ("simple_mask", 6.9, 0.50, 0.30, 0.60),
    ("simple_mask", 7, 0.60, 0.30, 0.60),
    ("simple_mask", 15, 0.60, 0.30, 0.60),
    # As a simple mask: British Thoracic Society oxygen guideline (2017), section 10 (from memory).
    ("tracheostomy_mask", 4.9, 0.35, 0.30, 0.60),
    ("tracheostomy_mask", 5, 0.40, 0.30, 0.60),
    ("tracheostomy_mask", 6, 0.50, 0.30, 0.60),
    ("tracheostomy_mask", 7, 0.60, 0.30, 0.60),
    # 6: 60, 7: 70, 8: 80, 9: 90, 10: 95 %: the same conversion table.
    ("reservoir_mask", 0.1, 0.60, 0.60, 0.95),
    ("reservoir_mask", 6, 0.60, 0.60, 0.95),
    ("reservoir_mask", 6.9, 0.60, 0.60, 0.95),
    ("reservoir_mask", 7, 0.70, 0.60, 0.95),
    ("reservoir_mask", 7.9, 0.70, 0.60, 0.95),
    ("reservoir_mask", 8, 0.80, 0.60, 0.95),
    ("reservoir_mask", 8.9, 0.80, 0.60, 0.95),
    ("reservoir_mask", 9, 0.90, 0.60, 0.95),
    ("reservoir_mask", 9.9, 0.90, 0.60, 0.95),
    ("reservoir_mask", 10, 0.95, 0.60, 0.95),
    ("reservoir_mask", 15, 0.95, 0.60, 0.95),
    # About 0.40-0.60 while it runs at 6-8 L/min: common practice, no source.
    ("oxygen_driven_nebuliser", None, 0.50, 0.40, 0.60),
    ("oxygen_driven_nebuliser", 0, 0.50, 0.40, 0.60),
    ("oxygen_driven_nebuliser", 8, 0.50, 0.40, 0.60),
]


@pytest.mark.parametrize(("device", "flow", "best", "low", "high"), BY_FLOW)
def test_without_a_recorded_fraction_the_flow_decides(
    device: str, flow: Number, best: float, low: float, high: float
) -> None:
    assert estimate(device, flow) == (best, low, high)


@pytest.mark.parametrize("device", ["simple_mask", "tracheostomy_mask", "reservoir_mask"])
def test_flow_0_on_a_mask_is_unknown(device: str) -> None:
    assert estimate(device, 0) == UNKNOWN


@pytest.mark.parametrize("device", ["nasal_cannula", "simple_mask", "tracheostomy_mask", "reservoir_mask"])
def test_a_missing_flow_is_unknown_where_the_table_needs_one(device: str) -> None:
    assert estimate(device, None) == UNKNOWN


ONLY_AS_RECORDED = ["high_flow_nasal", "cpap", "bilevel_niv", "invasive_ventilation", "other"]


@pytest.mark.parametrize("device", [*ONLY_AS_RECORDED, "air_entrainment_mask", None])
@pytest.mark.parametrize("flow", [None, 0, 2, 60])
def test_without_a_recorded_fraction_the_rest_is_unknown_whatever_the_flow(device: str | None, flow: Number) -> None:
    assert estimate(device, flow) == UNKNOWN


@pytest.mark.parametrize("device", [d for d in DEVICES if d not in ("room_air", "air_entrainment_mask")])
@pytest.mark.parametrize("recorded", [0.21, 0.24, 0.28, 0.35, 1.0])
@pytest.mark.parametrize("flow", [None, 0, 2, 15])
def test_a_recorded_fraction_is_taken_as_it_is(device: str, recorded: float, flow: Number) -> None:
    assert estimate(device, flow, recorded) == (recorded, recorded, recorded)


@pytest.mark.parametrize("recorded", [0.21, 0.28, 1.0])
def test_room_air_is_21_percent_whatever_is_recorded(recorded: float) -> None:
    assert estimate("room_air", 2, recorded) == (0.21, 0.21, 0.21)


# Concentrations printed on valves: LOINC answer list LL738-6 (24, 28, 31, 35, 40, 50 %), and 60 % (textbooks).
# Range: Jones, Lancet 1984;1:1427-31, measured within -1.2 to +1.9 points at 24-40 %, and 50.3 % at a nominal 60 %.
@pytest.mark.parametrize("flow", [None, 0, 2, 15])
@pytest.mark.parametrize(
    ("printed", "low", "high"),
    [
        (0.24, 0.225, 0.26),
        (0.28, 0.265, 0.30),
        (0.31, 0.295, 0.33),
        (0.35, 0.335, 0.37),
        (0.40, 0.385, 0.42),
        (0.50, 0.485, 0.52),
        (0.59, 0.575, 0.61),
        (0.60, 0.50, 0.62),
        (0.70, 0.50, 0.72),
    ],
)
def test_an_entrainment_mask_gives_what_is_printed_whatever_the_flow(
    printed: float, low: float, high: float, flow: Number
) -> None:
    assert estimate("air_entrainment_mask", flow, printed) == (printed, low, high)


def test_no_range_leaves_what_gas_can_hold() -> None:
    assert estimate("air_entrainment_mask", None, 0.22) == (0.22, 0.21, 0.24)
    assert estimate("air_entrainment_mask", None, 1.0) == (1.0, 0.50, 1.0)


def test_low_is_never_above_best_nor_best_above_high() -> None:
    flows = [None, *(tenth / 10 for tenth in range(0, 801, 3))]
    records = list(product(DEVICES, flows, [None, 0.21, 0.24, 0.28, 0.6, 1.0]))
    for record, (best, low, high) in zip(records, estimates(records), strict=True):
        if best is None:
            assert (low, high) == (None, None), record
        else:
            assert 0.21 <= low <= best <= high <= 1.0, record  # type: ignore[operator]


def test_the_whole_table_agrees_with_the_slow_walk() -> None:
    flows = [None, *(tenth / 10 for tenth in range(170))]
    records = list(product(DEVICES, flows, [None, 0.21, 0.24, 0.28, 0.285, 0.6, 1.0]))
    names = ("device", "flow_l_min", "fio2_fraction")
    expected = [oracle.inspired_fractions(dict(zip(names, record, strict=True))) for record in records]
    assert estimates(records) == expected


# British Thoracic Society oxygen guideline (2017), summary table 4: 24 % or 28 % by entrainment mask, or cannula at
# 1-2 L/min, is where controlled oxygen starts.
@pytest.mark.parametrize(
    "record",
    [
        ("nasal_cannula", 1, None),
        ("nasal_cannula", 2, None),
        ("air_entrainment_mask", 2, 0.24),
        ("air_entrainment_mask", 4, 0.28),
        # 0.28 as arithmetic may leave it.
        ("air_entrainment_mask", 4, sum([0.01] * 28)),
        ("high_flow_nasal", 30, sum([0.01] * 28)),
        ("bilevel_niv", None, 0.28000000000000003),
    ],
)
def test_controlled_oxygen_is_never_high(record: tuple[str, Number, Number]) -> None:
    high_above = POLICY.high_fio2_above
    best = estimates([record])[0][0]
    assert best is not None
    assert not best > high_above


def test_the_noise_is_real() -> None:
    assert sum([0.01] * 28) > 0.28
    assert 0.20 + 0.04 * 1 > 0.24


def test_a_fraction_kept_in_single_precision_is_no_higher() -> None:
    assert float(pl.Series([0.28], dtype=pl.Float32)[0]) > 0.28, "otherwise this shows nothing"
    for number in (pl.Float32, pl.Float64):
        single = pl.Series([0.28], dtype=pl.Float32).cast(number)[0]
        records: list[tuple[str | None, Number, Number]] = [("other", None, single), ("nasal_cannula", 2.0, None)]
        assert [best for best, _, _ in estimates(records, number)] == [0.28, 0.28]


@pytest.mark.parametrize("record", [("nasal_cannula", 2.1, None), ("other", None, 0.29), ("other", None, 0.281)])
def test_what_is_truly_above_stays_above(record: tuple[str, Number, Number]) -> None:
    best = estimates([record])[0][0]
    assert best is not None
    assert best > POLICY.high_fio2_above


FLOWS = (None, 0.0, 0.1, 2.0, 15.0)
RECORDED = (None, 0.21, 0.22, 0.28, 1.0)
# Unless flow 0 is charted and nothing richer than air, oxygen flows on these.
TAKEN_TO_FLOW = ("nasal_cannula", "simple_mask", "air_entrainment_mask", "reservoir_mask")


def flows_by_definition(device: str, flow: Number, recorded: Number) -> bool | None:
    if device == "room_air":
        return False
    if device == "oxygen_driven_nebuliser":
        return True
    richer_than_air = recorded in (0.22, 0.28, 1.0)
    if device in TAKEN_TO_FLOW:
        return not (flow == 0.0 and not richer_than_air)
    if flow in (0.1, 2.0, 15.0) or richer_than_air:
        return True
    return None if flow is None and recorded is None else False


@pytest.mark.parametrize("device", DEVICES)
def test_on_oxygen_for_every_flow_and_recorded_fraction(device: str) -> None:
    records = list(product([device], FLOWS, RECORDED))
    schema = {"device": pl.String, "flow_l_min": pl.Float64, "fio2_fraction": pl.Float64}
    found = pl.DataFrame(records, schema=schema, orient="row").select(on_oxygen()).to_series().to_list()
    assert dict(zip(records, found, strict=True)) == {record: flows_by_definition(*record) for record in records}


def test_air_with_a_trace_of_arithmetic_in_it_is_air() -> None:
    noisy = 0.1 + 0.11
    assert noisy > 0.21, "otherwise this shows nothing"
    frame = pl.DataFrame({"device": ["cpap", None], "flow_l_min": [None, 2.0], "fio2_fraction": [noisy, 0.5]})
    assert frame.select(on_oxygen()).to_series().to_list() == [False, None]


def test_published_values_hold_within_the_range_given() -> None:
    """Published estimates of other authors lie between low and high; none of them is the tool's own rule."""
    published = [
        # Therapeutic Guidelines (Australia): cannula 0.24-0.35 at 1-4 L/min.
        ("nasal_cannula", 1, 0.24),
        ("nasal_cannula", 4, 0.35),
        # 21 + 3 L and 21 + 4 L, textbooks.
        *(("nasal_cannula", flow, 0.21 + 0.03 * flow) for flow in (2, 3, 4, 5, 6)),
        *(("nasal_cannula", flow, 0.21 + 0.04 * flow) for flow in (1, 2, 3, 4, 5, 6)),
        # Simple mask 0.35-0.60 at 5-10 L/min, 0.44-0.50 at 6-10.
        ("simple_mask", 5, 0.35),
        ("simple_mask", 10, 0.60),
        ("simple_mask", 6, 0.44),
        # Reservoir mask: over 0.60 at 15 L/min; 60-90 % (British Thoracic Society, from memory).
        ("reservoir_mask", 15, 0.61),
        ("reservoir_mask", 15, 0.90),
        # Nominal 60 % valve measured 50.3 %: Jones, Lancet 1984.
        ("air_entrainment_mask", 15, 0.503),
    ]
    for device, flow, fraction in published:
        _, low, high = estimate(device, flow, 0.60 if device == "air_entrainment_mask" else None)
        assert low <= fraction <= high, (device, flow)  # type: ignore[operator]


# Ventilation with oxygen bled in: the fraction reached is not known (Eur Respir J 2002;19:653-7).
@pytest.mark.parametrize(
    ("device", "flow", "recorded", "reason"),
    [
        ("bilevel_niv", 4, None, "oxygen_bled_in"),
        ("cpap", 1, None, "oxygen_bled_in"),
        ("invasive_ventilation", 0.5, None, "oxygen_bled_in"),
        ("bilevel_niv", 0, None, "fraction_not_recorded"),
        ("bilevel_niv", None, None, "fraction_not_recorded"),
        ("bilevel_niv", 4, 0.28, None),
        ("high_flow_nasal", 40, None, "fraction_not_recorded"),
        ("other", 2, None, "fraction_not_recorded"),
        ("air_entrainment_mask", 4, None, "no_printed_concentration"),
        ("air_entrainment_mask", None, None, "no_printed_concentration"),
        ("air_entrainment_mask", None, 0.28, None),
        ("nasal_cannula", None, None, "no_flow_recorded"),
        ("nasal_cannula", 0, None, None),
        ("simple_mask", None, None, "no_flow_recorded"),
        ("reservoir_mask", 0, None, "flow_zero_on_a_mask"),
        ("tracheostomy_mask", 0, 0.35, None),
        ("room_air", None, None, None),
        ("oxygen_driven_nebuliser", None, None, None),
        (None, 2, 0.28, "no_device"),
    ],
)
def test_why_the_inspired_oxygen_is_unknown(device: str | None, flow: Number, recorded: Number, reason: str) -> None:
    assert reasons([(device, flow, recorded)]) == [reason]
    assert (estimate(device, flow, recorded)[0] is None) is (reason is not None)


def test_there_is_a_reason_just_where_there_is_no_estimate() -> None:
    records = list(product([*DEVICES, None], [None, 0, 0.1, 2, 15], [None, 0.21, 0.28, 1.0]))
    found = reasons(records)
    for record, reason, (best, _, _) in zip(records, found, estimates(records), strict=True):
        assert (reason is None) is (best is not None), record
    assert {reason for reason in found if reason} == set(REASONS_UNKNOWN)


def reasons(records: list[tuple[str | None, Number, Number]]) -> list[str | None]:
    schema = {"device": pl.String, "flow_l_min": pl.Float64, "fio2_fraction": pl.Float64}
    return pl.DataFrame(records, schema=schema, orient="row").select(unknown_because()).to_series().to_list()
