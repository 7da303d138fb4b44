"""How many episodes of high inspired oxygen hold under the low, the best and the high estimate of the fraction."""

import polars as pl

from pipeline.episodes import episodes_of
from pipeline.events.stretches import Batch
from pipeline.policy import Policy

ESTIMATES = {"low": "fio2_low", "best": "fio2", "high": "fio2_high"}
ESTIMATE_COLUMNS = ("estimate", "stay_id", "ward", "month", "started_at", "high_s", "saturation_during")


def episode_estimates(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per episode under each end of the plausible range: ESTIMATE_COLUMNS.

    The rule is that of `high_fio2_episodes`, with the low or high fraction in place of the best; those under `best`
    are its episodes. The numbers need not rise from low to high: two episodes may become one.
    """
    return pl.concat(
        episodes_of(batch.stretches.with_columns(fio2=pl.col(column)), policy.high_fio2_above, policy)
        .with_columns(estimate=pl.lit(estimate))
        .select(ESTIMATE_COLUMNS)
        for estimate, column in ESTIMATES.items()
    )
