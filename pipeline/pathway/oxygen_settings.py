"""How oxygen was set from one stretch to the next, nebulisers left out: they lie on top for minutes."""

import polars as pl

from pipeline.pathway.clock import AUDITED
from pipeline.vocabulary import NEBULISER

_COMPARED = ("device", "flow_l_min", "fio2", "on_oxygen", "excluded")
_WAS_AUDITED = pl.col("excluded_before").is_null()
_SAME_DEVICE = pl.col("device") == pl.col("device_before")

# Both fractions known, in audited time: what happened in excluded time is nobody's change.
RAISED = (AUDITED & _WAS_AUDITED & (pl.col("fio2") > pl.col("fio2_before"))).fill_null(False)
# A flow lowered on one device counts where the estimate cannot show it: 15 to 10 L/min on a reservoir mask.
_FLOW_LOWERED = _SAME_DEVICE & (pl.col("flow_l_min") < pl.col("flow_l_min_before"))
_NOT_RICHER = (pl.col("fio2") <= pl.col("fio2_before")).fill_null(True)
LOWERED = (
    (pl.col("fio2") < pl.col("fio2_before"))
    | (_FLOW_LOWERED & _NOT_RICHER)
    | (pl.col("on_oxygen_before") & ~pl.col("on_oxygen"))
).fill_null(False)


def oxygen_settings(stretches: pl.DataFrame) -> pl.LazyFrame:
    """One row per stretch that is no nebuliser, with what was set in the stretch before it that is none either.

    Adds `<name>_before` for device, flow_l_min, fio2, on_oxygen and excluded, null in the first stretch of a stay.
    """
    is_first = pl.col("stay_no").ne_missing(pl.col("stay_no").shift(1))
    return (
        stretches.lazy()
        .filter(pl.col("device").ne_missing(NEBULISER))
        .with_columns(*(pl.when(~is_first).then(pl.col(name).shift(1)).alias(f"{name}_before") for name in _COMPARED))
    )
