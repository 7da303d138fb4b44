"""What one blood gas says about CO2 retention: acute, compensated, acute on chronic, or none of them.

A pattern is read from a single gas by published rules; it names what the figures look like, not a diagnosis.
Thresholds and their sources stand in the policy.
"""

import polars as pl

from pipeline.physiology.blood_gas import bicarbonate_in_use_mmol_l
from pipeline.policy import Policy
from pipeline.vocabulary import RETENTION_SAMPLE_TYPES

NO_RETENTION = "no_retention"
ACUTE = "acute"
ACUTE_ON_CHRONIC = "acute_on_chronic"
COMPENSATED = "compensated"
MIXED = "mixed"
NOT_RAISED = "bicarbonate_not_raised"
ALKALOSIS = "alkalosis"
UNKNOWN = "unknown"
PATTERNS_IN_WORDS = {
    NO_RETENTION: "no CO2 retention",
    ACUTE: "acute respiratory acidosis",
    ACUTE_ON_CHRONIC: "acute on chronic respiratory acidosis",
    COMPENSATED: "compensated CO2 retention",
    MIXED: "respiratory acidosis with a metabolic part",
    NOT_RAISED: "CO2 retention without acidosis, bicarbonate not raised",
    ALKALOSIS: "raised CO2 with alkalosis",
    UNKNOWN: "cannot be told",
}

RETENTION_UNLIKELY = "retention_unlikely"
CANNOT_TELL = "cannot_tell"


def gas_pattern(
    policy: Policy, sample_type: pl.Expr, ph: pl.Expr, pco2_kpa: pl.Expr, bicarbonate_mmol_l: pl.Expr
) -> pl.Expr:
    """The pattern of one arterial or capillary gas; never null.

    pCO2 at or under `retainer_pco2_above_kpa`: `no_retention`, whatever the pH. Above it:
    with a pH under `acidosis_ph_below`: `mixed` (bicarbonate under its normal range), `acute_on_chronic` (above
    `chronic_bicarbonate_above_mmol_l`) or `acute`;
    without acidosis: `alkalosis` (pH above its normal range), `compensated` (above
    `raised_bicarbonate_above_mmol_l`) or `bicarbonate_not_raised`.
    `unknown`: a venous sample (it proves nothing), pCO2 missing, or pCO2 raised and pH missing. The bicarbonate is
    the charted one; where none was, it is derived from pH and pCO2.
    """
    bicarbonate = bicarbonate_in_use_mmol_l(bicarbonate_mmol_l, ph, pco2_kpa)
    usable = sample_type.is_in(RETENTION_SAMPLE_TYPES).fill_null(False)
    acidosis = ph < policy.acidosis_ph_below
    return (
        pl.when(~usable | pco2_kpa.is_null())
        .then(pl.lit(UNKNOWN))
        .when(pco2_kpa <= policy.retainer_pco2_above_kpa)
        .then(pl.lit(NO_RETENTION))
        .when(ph.is_null())
        .then(pl.lit(UNKNOWN))
        .when(acidosis & (bicarbonate < policy.low_bicarbonate_below_mmol_l))
        .then(pl.lit(MIXED))
        .when(acidosis & (bicarbonate > policy.chronic_bicarbonate_above_mmol_l))
        .then(pl.lit(ACUTE_ON_CHRONIC))
        .when(acidosis)
        .then(pl.lit(ACUTE))
        .when(ph > policy.alkalosis_ph_above)
        .then(pl.lit(ALKALOSIS))
        .when(bicarbonate > policy.raised_bicarbonate_above_mmol_l)
        .then(pl.lit(COMPENSATED))
        .otherwise(pl.lit(NOT_RAISED))
    )


def venous_screen(policy: Policy, sample_type: pl.Expr, pco2_kpa: pl.Expr) -> pl.Expr:
    """What a venous gas says of arterial retention: `retention_unlikely` or `cannot_tell`; null for other samples.

    At or under `venous_pco2_screen_up_to_kpa` arterial retention is unlikely, never excluded; above it the arterial
    pCO2 may be normal or raised: a venous gas never proves retention. Source: Kelly, J Emerg Med 2005;28:377.
    """
    unlikely = (pco2_kpa <= policy.venous_pco2_screen_up_to_kpa).fill_null(False)
    answer = pl.when(unlikely).then(pl.lit(RETENTION_UNLIKELY)).otherwise(pl.lit(CANNOT_TELL))
    return pl.when(sample_type == "venous").then(answer)


def usable_po2_kpa(sample_type: pl.Expr, po2_kpa: pl.Expr) -> pl.Expr:
    """The pO2 where it speaks of the arteries: arterial samples only, null otherwise.

    A capillary pO2 is not used: at a fingertip it lies 11.5 mmHg off (Zavorsky, meta-analysis 2007), and where the
    sample was taken is not charted.
    """
    return pl.when(sample_type == "arterial").then(po2_kpa)
