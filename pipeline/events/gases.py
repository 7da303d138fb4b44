"""What each blood gas of a stay says, and what oxygen was given when it was taken."""

import polars as pl

from pipeline.events.gas_pairs import placed_gases
from pipeline.events.stretches import Batch
from pipeline.physiology.blood_gas import (
    alveolar_arterial_difference_kpa,
    bicarbonate_in_use_mmol_l,
    hydrogen_ion_nmol_l,
    po2_fio2_ratio_kpa,
    standard_base_excess_mmol_l,
)
from pipeline.physiology.gas_patterns import gas_pattern, usable_po2_kpa, venous_screen
from pipeline.physiology.inspired_oxygen import inspired_oxygen
from pipeline.physiology.oximetry import expected_saturation_percent, oximeter_agreement
from pipeline.policy import Policy
from pipeline.vocabulary import RETENTION_SAMPLE_TYPES, ROOM_AIR

GAS_COLUMNS = (
    "stay_id",
    "ward",
    "month",
    "taken_at",
    "excluded",
    "retainer",
    "sample_type",
    "ph",
    "pco2_kpa",
    "po2_kpa",
    "bicarbonate_mmol_l",
    "bicarbonate_derived",
    "base_excess_mmol_l",
    "hydrogen_ion_nmol_l",
    "pattern",
    "venous_screen",
    "device",
    "flow_l_min",
    "fio2",
    "fio2_low",
    "fio2_high",
    "po2_fio2_ratio_kpa",
    "alveolar_arterial_kpa",
    "spo2_percent",
    "expected_saturation_percent",
    "oximeter_agreement",
)


# A power may come out a hair different beside other rows; what is stored must not.
_DECIMALS = 6


def gas_findings(batch: Batch, policy: Policy) -> pl.DataFrame:
    """One row per gas within its stay, in excluded time too, by stay and time: GAS_COLUMNS.

    ward, device and the like: what was in force when it was taken. fio2: as noted with the gas, else estimated from
    the device in force; on an air-entrainment mask a note is the printed concentration and keeps the valve's range.
    po2_kpa and what rests on it: arterial samples only. bicarbonate_derived: null without any bicarbonate. pattern:
    arterial and capillary samples only. alveolar_arterial_kpa below 0: the noted fraction or the sample is wrong.
    spo2_percent: the reading nearest in time, at most `reading_near_gas_minutes` before or after; of two as near the
    earlier one.
    """
    gases = _with_nearest_reading(placed_gases(batch), batch, policy)
    return _with_findings(_with_fraction(gases, policy), policy).sort("stay_id", "taken_at").select(GAS_COLUMNS)


def _with_nearest_reading(gases: pl.DataFrame, batch: Batch, policy: Policy) -> pl.DataFrame:
    near = round(policy.reading_near_gas_minutes * 60)
    found, readings = gases, batch.readings()
    for name, strategy in (("earlier", "backward"), ("later", "forward")):
        found = found.join_asof(
            readings.rename({"key": name, "spo2_percent": f"{name}_spo2"}),
            left_on="key",
            right_on=name,
            strategy=strategy,  # type: ignore[arg-type]
            coalesce=False,
        )
    # A reading of another stay is far away from every gas of this one.
    since, ahead = pl.col("key") - pl.col("earlier"), pl.col("later") - pl.col("key")
    return found.with_columns(
        spo2_percent=pl.when((since <= near) & (ahead.is_null() | (since <= ahead)))
        .then(pl.col("earlier_spo2"))
        .when(ahead <= near)
        .then(pl.col("later_spo2"))
    )


def _with_fraction(gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """The fraction noted with the gas where there is one, else what the device in force gives."""
    # A note stands even where air or no device is charted.
    noted = gases.with_columns(pl.col("device").fill_null("other").replace(ROOM_AIR, "other"))
    has_note = pl.col("fio2_fraction").is_not_null()
    return gases.with_columns(
        pl.when(has_note).then(estimate).otherwise(pl.col(estimate.name)).alias(estimate.name)
        for estimate in noted.select(inspired_oxygen(policy))
    )


def _with_findings(gases: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    sample, ph, pco2 = pl.col("sample_type"), pl.col("ph"), pl.col("pco2_kpa")
    po2, charted = usable_po2_kpa(sample, pl.col("po2_kpa")), pl.col("bicarbonate_mmol_l")
    bicarbonate = bicarbonate_in_use_mmol_l(charted, ph, pco2)
    proves = sample.is_in(RETENTION_SAMPLE_TYPES)
    figures = {
        "bicarbonate_mmol_l": bicarbonate,
        "base_excess_mmol_l": standard_base_excess_mmol_l(ph, bicarbonate),
        "hydrogen_ion_nmol_l": hydrogen_ion_nmol_l(ph),
        "po2_fio2_ratio_kpa": po2_fio2_ratio_kpa(po2, pl.col("fio2")),
        "alveolar_arterial_kpa": alveolar_arterial_difference_kpa(pl.col("fio2"), pco2, po2),
        "expected_saturation_percent": expected_saturation_percent(po2, ph, pco2),
    }
    return gases.with_columns(
        **{name: figure.round(_DECIMALS) for name, figure in figures.items()},
        po2_kpa=po2,
        bicarbonate_derived=pl.when(bicarbonate.is_not_null()).then(charted.is_null()),
        pattern=pl.when(proves).then(gas_pattern(policy, sample, ph, pco2, charted)),
        venous_screen=venous_screen(policy, sample, pco2),
        oximeter_agreement=oximeter_agreement(policy, pl.col("spo2_percent"), sample, po2, ph, pco2),
    )
