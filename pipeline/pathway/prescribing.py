"""Was a target prescribed, and one that suits what was known of CO2 retention?"""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.pathway.clock import AUDITED, close, first_in_stay, with_first
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy
from pipeline.vocabulary import RETAINER_TARGET_UPPER_PERCENT


def target_prescribed(batch: Batch, policy: Policy) -> pl.DataFrame:
    """Whether a target came within the limit after oxygen was first given.

    One row per stay given oxygen in audited time (oxygen that drives a nebuliser is oxygen). The clock starts at the
    first such instant and ends when a target is in force in audited time: at once where one is. A target stopped
    before, or in force in excluded time only, does not count. The clock runs on when oxygen ends.
    """
    due = first_in_stay(batch.stretches, pl.col("on_oxygen"))
    has_target = AUDITED & pl.col("lower_percent").is_not_null()
    due = with_first(due, batch.stretches, has_target)
    return close(due, batch.stretches, STEPS["target_prescribed"], policy)


def suited_target(batch: Batch, policy: Policy) -> pl.DataFrame:
    """How long it took until a target of up to 92 % was in force once CO2 retention was known.

    One row per stay with evidence `gas` or `history` in audited time. The clock starts at the first instant of
    either in the stay (at the end of excluded time where it came up in it) and ends when such a target is in force in
    audited time: at once where one is. No limit: guidelines differ on who may be prescribed a higher target.
    """
    due = first_in_stay(batch.stretches, pl.col("retainer").is_in(["gas", "history"]))
    suited = AUDITED & (pl.col("upper_percent") <= RETAINER_TARGET_UPPER_PERCENT)
    due = with_first(due, batch.stretches, suited)
    return close(due, batch.stretches, STEPS["suited_target"], policy)
