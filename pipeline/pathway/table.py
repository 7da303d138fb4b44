"""The table `pathway_steps`: every step of the pathway that became due."""

from collections.abc import Callable, Mapping

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.pathway.clock import STEP_COLUMNS
from pipeline.pathway.controlled_oxygen import controlled_oxygen
from pipeline.pathway.gases_after import gas_after_more_oxygen
from pipeline.pathway.nebulisers import nebuliser_short
from pipeline.pathway.prescribing import suited_target, target_prescribed
from pipeline.pathway.stepping_down import oxygen_stopped, stepped_down
from pipeline.pathway.ventilation import bilevel_after_arrival, bilevel_after_gas
from pipeline.policy import Policy

STEP_MAKERS: Mapping[str, Callable[[Batch, Policy], pl.DataFrame]] = {
    "target_prescribed": target_prescribed,
    "suited_target": suited_target,
    "controlled_oxygen": controlled_oxygen,
    "gas_after_more_oxygen": gas_after_more_oxygen,
    "bilevel_after_gas": bilevel_after_gas,
    "bilevel_after_arrival": bilevel_after_arrival,
    "stepped_down": stepped_down,
    "oxygen_stopped": oxygen_stopped,
    "nebuliser_short": nebuliser_short,
}


def pathway_steps(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per step that became due in a stay of the batch, with STEP_COLUMNS, by stay and time."""
    made = [maker(batch, policy).select(STEP_COLUMNS) for maker in STEP_MAKERS.values()]
    return pl.concat(made).sort("stay_id", "started_at", "step")
