"""Which function makes which table of events."""

from collections.abc import Callable, Mapping

import polars as pl

from pipeline.events.choices import carry_time, threshold_episodes
from pipeline.events.estimates import episode_estimates
from pipeline.events.excess import excess_runs
from pipeline.events.gases import gas_findings
from pipeline.events.oxygen_changes import oxygen_changes
from pipeline.events.stretches import Batch
from pipeline.events.valves import valve_stretches
from pipeline.events.where_it_happened import where_it_happened
from pipeline.pathway.table import pathway_steps
from pipeline.policy import Policy

EVENT_TABLES: Mapping[str, Callable[[Batch, Policy], pl.DataFrame]] = {
    "carry_time": carry_time,
    "episode_estimates": episode_estimates,
    "excess_runs": excess_runs,
    "gas_findings": gas_findings,
    "oxygen_changes": oxygen_changes,
    "pathway_steps": pathway_steps,
    "threshold_episodes": threshold_episodes,
    "valve_stretches": valve_stretches,
    "where_it_happened": where_it_happened,
}
