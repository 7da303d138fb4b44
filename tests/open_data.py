"""Twenty open patients as an extract: real charting, written in the canonical tables, faults left in.

Source and licence: `tests/data/open-data/README.md`. Nothing is cleaned here: moves outside the stay, values out of
range, results that are no numbers and the same gas filed twice are what the intake has to deal with.
"""

import gzip
from pathlib import Path

import polars as pl

DATA = Path(__file__).with_name("data") / "open-data"
LOWER_PERCENT, UPPER_PERCENT = 88, 92
# 1 mmHg = 133.322387415 Pa (NIST SP 811, appendix B.8).
KPA_PER_MMHG = 0.133322387415

# Device by name first, then by category; whatever is not named here is `other`.
DEVICE_NAMES = {
    "Non-rebreather": "reservoir_mask",
    "Venti mask": "air_entrainment_mask",
    "Medium conc mask": "simple_mask",
    "Nasal cannula": "nasal_cannula",
}
DEVICE_CATEGORIES = {
    "High Flow NC": "high_flow_nasal",
    "IMV": "invasive_ventilation",
    "NIPPV": "bilevel_niv",
    "CPAP": "cpap",
    "Trach Collar": "tracheostomy_mask",
    "Room Air": "room_air",
}
# The same gas may be filed by the laboratory and charted at the bedside: two rows of the extract.
CHARTED_NAMES = (
    "PH (Arterial)",
    "Arterial CO2 Pressure",
    "Arterial O2 pressure",
    "PH (Venous)",
    "Venous CO2 Pressure",
)


def write_open_extract(folder: Path) -> None:
    """Writes the extract of the twenty patients; every stay has one target of 88-92 % from admission."""
    stays = stay_rows()
    written(stays).write_csv(folder / "stays.csv")
    written(ward_rows()).write_csv(folder / "wards.csv")
    written(target_rows(stays)).write_csv(folder / "targets.csv")
    written(gas_rows()).write_csv(folder / "gases.csv")
    (folder / "devices.csv.gz").write_bytes(gzip.compress(written(device_rows()).write_csv().encode(), mtime=0))
    # Two files for one table: the half in Parquet keeps its times typed, with their zone.
    readings = reading_rows()
    half = readings.height // 2
    written(readings.head(half)).write_csv(folder / "readings-first.csv")
    readings.tail(-half).write_parquet(folder / "readings-second.parquet")


def written(frame: pl.DataFrame) -> pl.DataFrame:
    """Times as text with `Z`."""
    return frame.with_columns(pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%SZ"))


def _stay_id() -> pl.Expr:
    return ("S" + pl.col("hospitalization_id")).alias("stay_id")


def stay_rows() -> pl.DataFrame:
    """One row per stay."""
    decade = pl.col("age_at_admission") // 10 * 10
    return pl.read_parquet(DATA / "hospitalization.parquet").select(
        _stay_id(),
        ("P" + pl.col("patient_id")).alias("patient_key"),
        pl.col("admission_dttm").alias("admitted_at"),
        pl.col("discharge_dttm").alias("discharged_at"),
        pl.format("{}-{}", decade, decade + 9).alias("age_band"),
    )


def ward_rows() -> pl.DataFrame:
    """One row per move, those before admission and after discharge too."""
    return pl.read_parquet(DATA / "adt.parquet").select(
        _stay_id(), pl.col("location_name").alias("ward"), pl.col("in_dttm").alias("entered_at")
    )


def reading_rows() -> pl.DataFrame:
    """One row per saturation, with the respiratory rate of the same instant if there is one."""
    vitals = pl.read_parquet(DATA / "vitals.parquet").select(
        _stay_id(), pl.col("recorded_dttm").alias("taken_at"), "vital_category", "vital_value"
    )
    saturation = vitals.filter(pl.col("vital_category") == "spo2").select(
        "stay_id", "taken_at", pl.col("vital_value").alias("spo2_percent")
    )
    breathing = vitals.filter(pl.col("vital_category") == "respiratory_rate").select(
        "stay_id", "taken_at", pl.col("vital_value").alias("respiratory_rate")
    )
    return saturation.join(breathing, on=["stay_id", "taken_at"], how="left", maintain_order="left")


def device_rows() -> pl.DataFrame:
    """One row per record of respiratory support."""
    category = pl.col("device_category").replace_strict(DEVICE_CATEGORIES, default="other")
    return pl.read_parquet(DATA / "respiratory_support.parquet").select(
        _stay_id(),
        pl.col("recorded_dttm").alias("started_at"),
        pl.col("device_name").str.strip_chars().replace_strict(DEVICE_NAMES, default=category).alias("device"),
        pl.col("lpm_set").alias("flow_l_min"),
        pl.col("fio2_set").alias("fio2_fraction"),
    )


def target_rows(stays: pl.DataFrame) -> pl.DataFrame:
    """One row per stay: the same band for everybody, from admission."""
    return stays.select(
        "stay_id",
        pl.col("admitted_at").alias("prescribed_at"),
        pl.lit(LOWER_PERCENT).alias("lower_percent"),
        pl.lit(UPPER_PERCENT).alias("upper_percent"),
    )


def gas_rows() -> pl.DataFrame:
    """One row per gas and place of filing; pressures in kPa as text, since some results are no numbers."""
    gases = (
        pl.read_parquet(DATA / "labs.parquet")
        .filter(pl.col("lab_order_category") == "blood_gas")
        .select(
            _stay_id(),
            pl.col("lab_collect_dttm").alias("taken_at"),
            pl.col("lab_category").str.split("_").list.get(0).alias("quantity"),
            pl.col("lab_category").str.split("_").list.get(1).alias("sample_type"),
            pl.col("lab_name").is_in(CHARTED_NAMES).alias("charted"),
            in_kpa().alias("result"),
        )
        .pivot(
            on="quantity",
            index=["stay_id", "taken_at", "sample_type", "charted"],
            values="result",
            aggregate_function="first",
        )
    )
    return gases.select(
        "stay_id", "taken_at", "sample_type", "ph", pco2_kpa=pl.col("pco2"), po2_kpa=pl.col("po2")
    ).sort("stay_id", "taken_at", "sample_type")


def in_kpa() -> pl.Expr:
    """A result in mmHg as kPa; a pH, or a text that is no number, as it stands."""
    number = pl.col("lab_value").cast(pl.Float64, strict=False)
    pressure = (pl.col("reference_unit") == "mmHg") & number.is_not_null()
    return pl.when(pressure).then((number * KPA_PER_MMHG).cast(pl.String)).otherwise(pl.col("lab_value"))
