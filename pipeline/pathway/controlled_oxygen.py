"""Was oxygen controlled once a gas had shown CO2 retention?"""

import polars as pl

from pipeline.events.stretches import Batch
from pipeline.pathway.clock import AUDITED, close, with_first
from pipeline.pathway.steps import STEPS
from pipeline.policy import Policy

# Devices that can give a low known fraction; a tracheostomy mask does with a valve, whose fraction is then recorded.
_CAN_BE_CONTROLLED = ("air_entrainment_mask", "nasal_cannula", "high_flow_nasal", "cpap", "tracheostomy_mask")
_VENTILATED = ("bilevel_niv", "invasive_ventilation")


def controlled_oxygen(batch: Batch, policy: Policy) -> pl.DataFrame:
    """How long uncontrolled oxygen went on after the first retaining gas of the stay.

    One row per stay on oxygen at its first retaining gas (at the end of excluded time where it was taken in it). The
    clock starts there and ends at the first audited instant with controlled oxygen: the best estimate of the
    fraction at most the threshold of the policy (high_fio2_above) on a device that can give it; or without oxygen; or
    on bilevel or invasive ventilation, whatever the fraction. 0 minutes where that held already. No row where the
    patient was on air, the device is not known, or it may be controlled but its fraction is not known. A nebuliser
    driven by oxygen is not controlled.
    """
    can_be = pl.col("device").is_in(_CAN_BE_CONTROLLED)
    controlled = (
        (can_be & (pl.col("fio2") <= policy.high_fio2_above))
        | ~pl.col("on_oxygen")
        | pl.col("device").is_in(_VENTILATED)
    )
    not_to_be_told = can_be & pl.col("fio2").is_null()
    known = batch.stretches.filter(AUDITED & (pl.col("retainer") == "gas"))
    first = known.filter(pl.col("stay_no").ne_missing(pl.col("stay_no").shift(1)))
    due = first.filter(pl.col("on_oxygen") & ~not_to_be_told).select(start="condition_no")
    due = with_first(due, batch.stretches, AUDITED & controlled)
    return close(due, batch.stretches, STEPS["controlled_oxygen"], policy)
