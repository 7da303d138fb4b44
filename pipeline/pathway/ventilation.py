"""Did bilevel ventilation follow respiratory acidosis in time? Two published clocks: from the gas, from arrival.

Acidosis here: pH below acidosis_ph_below and pCO2 above ventilation_pco2_above_kpa on an arterial or capillary gas. A
gas in excluded time neither starts a clock nor proves that acidosis persisted; one free of it shows that it did not.
Invasive ventilation counts as done as well. Ventilation begun in excluded time (critical care) was begun.
"""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.pathway.clock import AUDITED, close, gases_in_stay, with_first, with_next
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy

_VENTILATED = pl.col("device").is_in(["bilevel_niv", "invasive_ventilation"])


def bilevel_after_gas(batch: Batch, policy: Policy) -> pl.DataFrame:
    """Whether ventilation began within the limit after the gas that showed acidosis to persist.

    One row per stay in which acidosis is still there on a gas at least best_treatment_minutes after the gas on which
    it was first found, no gas between being free of it: the first such later gas starts the clock. It ends when
    bilevel or invasive ventilation is in force: 0 minutes where it is already. No longer due where a gas before the
    limit is free of acidosis.
    """
    gases = _judged(batch, policy)
    due = (
        gases.with_columns(free_before=(~pl.col("acidotic")).cum_sum().over("stay_no"))
        .filter("acidotic")
        .with_columns(found_at=pl.col("at").first().over("stay_no", "free_before"))
        .filter(pl.col("at") >= pl.col("found_at") + round(policy.best_treatment_minutes * 60))
        .group_by("stay_no")
        .agg(start=pl.col("at").min())
    )
    due = with_next(due, gases.filter(~pl.col("acidotic")), "excused")
    due = with_first(due, batch.stretches, _VENTILATED)
    return close(due, batch.stretches, STEPS["bilevel_after_gas"], policy)


def bilevel_after_arrival(batch: Batch, policy: Policy) -> pl.DataFrame:
    """Whether ventilation began within the limit after admission in those who came with acidosis.

    One row per stay whose first gas with acidosis was taken up to ventilation_after_arrival_minutes after admission.
    The clock starts with the stay (with its audited time) and ends when bilevel or invasive ventilation is in force:
    0 minutes where it is then. No longer due where a gas after that first one, before the limit, is free of acidosis.
    """
    gases = _judged(batch, policy)
    first = gases.filter("acidotic").group_by("stay_no").agg(found_at=pl.col("at").min())
    starts = (
        batch.stretches.join(first, on="stay_no")
        .group_by("stay_no", "found_at")
        .agg(admitted_at=pl.col("condition_no").min(), start=pl.col("condition_no").filter(AUDITED).min())
    )
    soon = pl.col("admitted_at") + round(policy.ventilation_after_arrival_minutes * 60)
    due = starts.filter((pl.col("found_at") <= soon) & pl.col("start").is_not_null())
    free = gases.filter(~pl.col("acidotic")).select("stay_no", free_at="at")
    excused = (
        due.join(free, on="stay_no")
        .filter(pl.col("free_at") > pl.col("found_at"))
        .group_by("start")
        .agg(excused=pl.col("free_at").min())
    )
    due = due.select("start").join(excused, on="start", how="left")
    due = with_first(due, batch.stretches, _VENTILATED)
    return close(due, batch.stretches, STEPS["bilevel_after_arrival"], policy)


def _judged(batch: Batch, policy: Policy) -> pl.DataFrame:
    """The gases of which it can be told, in order, with `acidotic`."""
    acidotic = (pl.col("ph") < policy.acidosis_ph_below) & (pl.col("pco2_kpa") > policy.ventilation_pco2_above_kpa)
    return (
        gases_in_stay(batch)
        .with_columns(acidotic=acidotic)
        .filter(pl.col("acidotic").is_not_null() & (AUDITED | ~pl.col("acidotic")))
    )
