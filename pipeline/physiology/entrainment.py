"""Air-entrainment valves: the mixing arithmetic, whether a record is set up as printed, and whether its flow is enough.

A jet of oxygen draws in air through the ports of the valve in a fixed proportion. Fractions are of the inspired gas
(0.28 is 28 %), flows in L/min. What no chart can show: a blocked port raises the concentration and lowers the total
flow; a worn or wrong valve looks like the right one.
"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.policy import Policy

# Dry air. 0.209 gives the published table of total flows to within 1 L/min; the charted 21 % would not.
OXYGEN_FRACTION_OF_AIR = 0.209

AS_PRINTED = "as_printed"
BELOW_PRINTED = "below_printed"
DOUBTFUL = "doubtful"
UNKNOWN = "unknown"
VALVE_SETUPS = (AS_PRINTED, BELOW_PRINTED, DOUBTFUL, UNKNOWN)

_DECIMALS = 6
# Jones, Lancet 1984;1:1427-31; British Thoracic Society oxygen guideline (2017), summary table 4.
_FAST_ABOVE_PER_MIN = 30


def air_to_oxygen(fraction: pl.Expr) -> pl.Expr:
    """Parts of air drawn in for one part of oxygen: (1 - F) / (F - a), a the oxygen fraction of air.

    Null where the fraction is not above that of air or is above 1.
    """
    return (1 - _mixable(fraction)) / (_mixable(fraction) - OXYGEN_FRACTION_OF_AIR)


def mixed_fraction(air_parts: pl.Expr) -> pl.Expr:
    """Oxygen fraction of one part of oxygen mixed with so many parts of air; the inverse of `air_to_oxygen`."""
    return (1 + OXYGEN_FRACTION_OF_AIR * air_parts) / (1 + air_parts)


def total_flow_l_min(fraction: pl.Expr, oxygen_flow_l_min: pl.Expr) -> pl.Expr:
    """Flow of mixed gas that a valve gives at an oxygen flow: oxygen flow x (1 - a) / (F - a)."""
    return oxygen_flow_l_min * (1 + air_to_oxygen(fraction))


def oxygen_flow_needed_l_min(fraction: pl.Expr, total_l_min: pl.Expr) -> pl.Expr:
    """Oxygen flow that a total flow of mixed gas needs: total x (F - a) / (1 - a); a total of 1 gives its share."""
    return total_l_min * (_mixable(fraction) - OXYGEN_FRACTION_OF_AIR) / (1 - OXYGEN_FRACTION_OF_AIR)


def valve_setup(policy: Policy, printed: pl.Expr, oxygen_flow_l_min: pl.Expr) -> pl.Expr:
    """How a record of printed concentration and oxygen flow stands to what is printed on the valves.

    `as_printed`: at or above the lowest flow any maker prints. `below_printed`: under it; concentration and total
    flow are both unreliable then. `doubtful`: no valve has that concentration, or the flow is so far above what is
    printed that the pair does not belong together (24 % at 10 L/min): the highest printed flow, raised as for a fast
    breather, is the limit and still fits. `unknown`: concentration or flow missing. Never null.
    Source: `[entrainment_valves.*]` of the policy.
    """
    lowest, highest = _printed_flow(policy, printed, "lowest"), _printed_flow(policy, printed, "highest")
    return (
        pl.when(printed.is_null() | oxygen_flow_l_min.is_null())
        .then(pl.lit(UNKNOWN))
        .when(lowest.is_null() | (oxygen_flow_l_min > highest * policy.fast_breathing_flow_ratio))
        .then(pl.lit(DOUBTFUL))
        .when(oxygen_flow_l_min < lowest)
        .then(pl.lit(BELOW_PRINTED))
        .otherwise(pl.lit(AS_PRINTED))
    )


def likely_peak_flow_l_min(policy: Policy, respiratory_rate: pl.Expr) -> pl.Expr:
    """Flow a patient is likely to draw in at the peak of a breath, from the respiratory rate.

    Without a rate: that of a patient at rest, which is also the least. An estimate for a tidal volume near 0.5 L;
    deep breaths need more. Source: `peak_flow_at_rest_l_min` and `peak_flow_per_breath_l` of the policy.
    """
    # A missing rate is passed over: the flow at rest remains.
    return pl.max_horizontal(
        pl.lit(float(policy.peak_flow_at_rest_l_min)), respiratory_rate * policy.peak_flow_per_breath_l
    )


def flow_meets_demand(
    policy: Policy, printed: pl.Expr, oxygen_flow_l_min: pl.Expr, respiratory_rate: pl.Expr
) -> pl.Expr:
    """Whether the total flow of a valve reaches the patient's likely peak inspiratory flow.

    False: the patient draws in room air beside the mask at the peak of a breath and gets less than the valve says.
    Null where the valve is not set up as printed or nothing is known of it. That masks turn from fixed to variable
    performance where inspiratory flow passes total flow: Hill, Br Med J 1984;288:1261.
    """
    enough = total_flow_l_min(printed, oxygen_flow_l_min) >= likely_peak_flow_l_min(policy, respiratory_rate)
    return pl.when(valve_setup(policy, printed, oxygen_flow_l_min) == AS_PRINTED).then(enough)


def raised_for_fast_breathing(
    policy: Policy, printed: pl.Expr, oxygen_flow_l_min: pl.Expr, respiratory_rate: pl.Expr
) -> pl.Expr:
    """Whether a fast breather has the valve's flow raised as published (by half above 30 breaths a minute).

    Measured from the lowest flow any maker prints, so that no ward is blamed for another maker's valve. Null where
    the patient does not breathe fast, the rate is not charted, or the valve is doubtful or unknown.
    """
    wanted = _printed_flow(policy, printed, "lowest") * policy.fast_breathing_flow_ratio
    known = valve_setup(policy, printed, oxygen_flow_l_min).is_in([AS_PRINTED, BELOW_PRINTED])
    fast = respiratory_rate > _FAST_ABOVE_PER_MIN
    return pl.when(fast & known).then(oxygen_flow_l_min >= wanted)


def _mixable(fraction: pl.Expr) -> pl.Expr:
    return pl.when((fraction > OXYGEN_FRACTION_OF_AIR) & (fraction <= 1)).then(fraction)


def _printed_flow(policy: Policy, printed: pl.Expr, which: str) -> pl.Expr:
    """Lowest or highest flow printed for a concentration; null where no valve has it."""
    valves: Mapping[str, Mapping[str, Any]] = policy.entrainment_valves
    # Rounded, so that 0.28 as arithmetic or single precision may leave it is 0.28.
    concentration = printed.cast(pl.Float64).round(_DECIMALS)
    return pl.coalesce(
        pl.when(concentration == valve["printed_fraction"]).then(pl.lit(float(valve[f"{which}_flow_l_min"])))
        for valve in valves.values()
    )
