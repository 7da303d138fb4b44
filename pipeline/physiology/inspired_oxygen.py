"""Estimated inspired fraction of oxygen (FiO2) and whether oxygen flows, from a device record.

Pure polars expressions over the columns `device`, `flow_l_min` and `fio2_fraction`. The figures and their sources
stand in the policy (`[inspired_oxygen.*]`). A recorded fraction is taken as it is; otherwise the flow decides;
null where it cannot be said, and `unknown_because` says why. Estimates are rounded to six decimals, so that
0.20 + 0.04 x 2 is 0.28 and not a hair above it.
"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.policy import Policy
from pipeline.vocabulary import LOW_FLOW_DEVICES, NEBULISER, ROOM_AIR

FRACTION_IN_AIR = 0.21
NO_DEVICE = "no_device"
NO_PRINTED_CONCENTRATION = "no_printed_concentration"
OXYGEN_BLED_IN = "oxygen_bled_in"
NOT_RECORDED = "fraction_not_recorded"
NO_FLOW_RECORDED = "no_flow_recorded"
FLOW_ZERO = "flow_zero_on_a_mask"
REASONS_UNKNOWN = (NO_DEVICE, NO_PRINTED_CONCENTRATION, OXYGEN_BLED_IN, NOT_RECORDED, NO_FLOW_RECORDED, FLOW_ZERO)
_DECIMALS = 6
_STEPPED_DEVICES = ("simple_mask", "tracheostomy_mask", "reservoir_mask")
_VENTILATION = ("cpap", "bilevel_niv", "invasive_ventilation")


def inspired_oxygen(policy: Policy) -> list[pl.Expr]:
    """The columns `fio2`, `fio2_low`, `fio2_high`: best estimate with its plausible range, as fractions."""
    flow, recorded, device = pl.col("flow_l_min"), pl.col("fio2_fraction"), pl.col("device")
    table = policy.inspired_oxygen
    estimates = {
        ROOM_AIR: _fixed(table[ROOM_AIR]["best"]),
        NEBULISER: (
            pl.lit(table[NEBULISER]["best"]),
            pl.lit(table[NEBULISER]["low"]),
            pl.lit(table[NEBULISER]["high"]),
        ),
        "nasal_cannula": _cannula(flow, table["nasal_cannula"]),
        "air_entrainment_mask": _entrainment(recorded, table["air_entrainment_mask"]),
    } | {name: _stepped(flow, table[name]) for name in _STEPPED_DEVICES}

    columns = []
    for position, name in enumerate(("fio2", "fio2_low", "fio2_high")):
        estimate = pl.coalesce(pl.when(device == known).then(triple[position]) for known, triple in estimates.items())
        taken_as_recorded = recorded.is_not_null() & (device != ROOM_AIR)
        if name != "fio2":
            taken_as_recorded &= device != "air_entrainment_mask"
        columns.append(pl.when(taken_as_recorded).then(recorded).otherwise(estimate).round(_DECIMALS).alias(name))
    return columns


def on_oxygen() -> pl.Expr:
    """The column `on_oxygen`: true, false, or null where the record does not tell.

    Low-flow devices count as on oxygen unless flow 0 is recorded and no fraction above air; every other device
    (ventilators, high flow) needs a flow or a fraction above air to be recorded.
    """
    flow, recorded, device = pl.col("flow_l_min"), pl.col("fio2_fraction"), pl.col("device")
    enriched = (recorded.round(_DECIMALS) > FRACTION_IN_AIR).fill_null(False)
    flowing = (flow > 0).fill_null(False)
    stopped = (flow == 0).fill_null(False)
    return (
        pl.when(device == ROOM_AIR)
        .then(pl.lit(False))
        .when(device == NEBULISER)
        .then(pl.lit(True))
        .when(device.is_in(LOW_FLOW_DEVICES))
        .then(~(stopped & ~enriched))
        .when(device.is_null() | (flow.is_null() & recorded.is_null()))
        .then(pl.lit(None, dtype=pl.Boolean))
        .otherwise(flowing | enriched)
        .alias("on_oxygen")
    )


def unknown_because() -> pl.Expr:
    """The column `fio2_unknown_because`: why there is no estimate; null where there is one.

    `no_device`; `no_printed_concentration`: an air-entrainment mask without it, whatever its flow; `oxygen_bled_in`:
    ventilation with a flow of oxygen and no fraction, which then turns on pressure, leak and where the tube joins
    (Eur Respir J 2002;19:653-7); `fraction_not_recorded`: high flow, ventilation and other devices without it;
    `no_flow_recorded` and `flow_zero_on_a_mask` where the table of the policy needs a flow.
    """
    flow, recorded, device = pl.col("flow_l_min"), pl.col("fio2_fraction"), pl.col("device")
    by_flow = device.is_in([*_STEPPED_DEVICES, "nasal_cannula"])
    return (
        pl.when(device.is_null())
        .then(pl.lit(NO_DEVICE))
        .when(device.is_in([ROOM_AIR, NEBULISER]) | recorded.is_not_null())
        .then(pl.lit(None, dtype=pl.String))
        .when(device == "air_entrainment_mask")
        .then(pl.lit(NO_PRINTED_CONCENTRATION))
        .when(device.is_in(_VENTILATION) & (flow > 0))
        .then(pl.lit(OXYGEN_BLED_IN))
        .when(~by_flow)
        .then(pl.lit(NOT_RECORDED))
        .when(flow.is_null())
        .then(pl.lit(NO_FLOW_RECORDED))
        .when(device.is_in(_STEPPED_DEVICES) & (flow == 0))
        .then(pl.lit(FLOW_ZERO))
        .alias("fio2_unknown_because")
    )


def _fixed(fraction: float) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    return pl.lit(fraction), pl.lit(fraction), pl.lit(fraction)


def _cannula(flow: pl.Expr, entry: Mapping[str, Any]) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    counted = flow.clip(upper_bound=entry["most_at_l_min"])
    best = entry["base"] + entry["per_l_min"] * counted
    low = entry["base"] + entry["low_per_l_min"] * flow
    high = entry["base"] + entry["high_per_l_min"] * flow
    # Nobody breathes less than air holds, whatever a straight line says at a trickle.
    return (
        best.clip(lower_bound=FRACTION_IN_AIR),
        low.clip(FRACTION_IN_AIR, entry["low_at_most"]),
        high.clip(FRACTION_IN_AIR, entry["high_at_most"]),
    )


def _stepped(flow: pl.Expr, entry: Mapping[str, Any]) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    best = pl.lit(None, dtype=pl.Float64)
    for from_flow, fraction in entry["steps"]:
        reached = (flow > 0) & (flow >= from_flow)
        best = pl.when(reached).then(pl.lit(float(fraction))).otherwise(best)
    known = flow > 0
    return best, pl.when(known).then(pl.lit(entry["low"])), pl.when(known).then(pl.lit(entry["high"]))


def _entrainment(printed: pl.Expr, entry: Mapping[str, Any]) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    low = (
        pl.when(printed.round(_DECIMALS) >= 0.60)
        .then(pl.lit(entry["low_from_printed_060"]))
        .otherwise((printed - entry["low_below_printed"]).clip(lower_bound=FRACTION_IN_AIR))
    )
    high = (printed + entry["high_above_printed"]).clip(upper_bound=1.0)
    return printed, pl.when(printed.is_not_null()).then(low), high
