"""Writes tables of the extract as a folder of OMOP CDM 5.4 tables, and reads sources back for comparison.

Column names and order are those of the published table definitions (omop-cdm, Apache-2.0). Concept ids are written out
here once more, not taken from the reader: a slip in one of the two shows.
"""

import gzip
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl
from omop_cdm.regular import cdm54
from scipy.constants import mmHg

from pipeline.intake.check import typed
from pipeline.intake.omop.folder import omop_sources
from pipeline.vocabulary import TABLES

ZONE = "Europe/London"
OFFICIAL = {
    table.__tablename__: table.__table__
    for table in (
        cdm54.VisitOccurrence,
        cdm54.VisitDetail,
        cdm54.Measurement,
        cdm54.DeviceExposure,
        cdm54.Observation,
        cdm54.Person,
        cdm54.CareSite,
        cdm54.Concept,
    )
}
EHR = 32817  # type concept "EHR", from memory; not read back
# Taken from SciPy, which has the torr (1/760 atm) for it: the same to seven digits.
MMHG_PER_KPA = 1000 / mmHg
SATURATION, RATE, FLOW, OXYGEN = 40762499, 3024171, 3005629, 3020716
GAS_CONCEPTS = {
    ("ph", "arterial"): (3019977, "2744-1"),
    ("ph", "venous"): (3012544, "2746-6"),
    ("ph", "capillary"): (0, "2745-8"),
    ("pco2_kpa", "arterial"): (3027946, "2019-8"),
    ("pco2_kpa", "venous"): (3021447, "2021-4"),
    ("pco2_kpa", "capillary"): (0, "2020-6"),
    ("po2_kpa", "arterial"): (3027801, "2703-7"),
    ("po2_kpa", "venous"): (3024354, "2705-2"),
    ("po2_kpa", "capillary"): (0, "2704-5"),
    ("bicarbonate_mmol_l", "arterial"): (3008152, "1960-4"),
    ("bicarbonate_mmol_l", "venous"): (3027273, "14627-4"),
    ("bicarbonate_mmol_l", "capillary"): (0, "1961-2"),
}
GAS_UNITS = {"ph": (8482, "[pH]"), "pco2_kpa": (44777602, "kPa"), "po2_kpa": (44777602, "kPa")}
DEVICE_CONCEPTS = {
    "nasal_cannula": 4224038,
    "simple_mask": 4222966,
    "air_entrainment_mask": 4322904,
    "reservoir_mask": 4145528,
    "high_flow_nasal": 4139525,
    "tracheostomy_mask": 45760219,
}
# The middle year of a band: a year of birth says no more.
AGES = {"18-39": 30, "40-49": 45, "50-59": 55, "60-69": 65, "70-79": 75, "80-89": 85, "90+": 93}
Rows = Sequence[Mapping[str, Any]]


def number_of(key: str) -> int:
    """The integer key that the common data model wants for the pseudonym S00012."""
    return int(key.lstrip("SP"))


def local(column: str) -> pl.Expr:
    """Naive UTC as local time of the cohort's zone, as text."""
    at = pl.col(column).dt.replace_time_zone("UTC").dt.convert_time_zone(ZONE)
    return at.dt.strftime("%Y-%m-%d %H:%M:%S").alias(column)


def official(table: str, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with all columns of the published table, in its order; numbered where it has a key of its own."""
    columns = [column.name for column in OFFICIAL[table].columns]
    if columns[0] not in rows.columns:
        rows = rows.with_row_index(columns[0], offset=1)
    assert not set(rows.columns) - set(columns), set(rows.columns) - set(columns)
    return rows.select(pl.col(name) if name in rows.columns else pl.lit(None).alias(name) for name in columns)


def omop_tables(
    tables: Mapping[str, pl.DataFrame], mmhg: bool = False, by_code: bool = False
) -> dict[str, pl.DataFrame]:
    """Tables of the extract as tables of the common data model: what these can say of them.

    mmhg: partial pressures in mmHg. by_code: concept id 0, and the LOINC code and the unit as source values.
    """
    stays = tables["stays"].with_columns(
        local("admitted_at"),
        local("discharged_at"),
        visit_occurrence_id=pl.col("stay_id").map_elements(number_of, return_dtype=pl.Int64),
        person_id=pl.col("patient_key").map_elements(number_of, return_dtype=pl.Int64),
    )
    places = sorted(stays["site"].unique()) + sorted(tables["wards"]["ward"].unique())
    ids = {name: place for place, name in enumerate(places, start=1)}
    keys = stays.select("stay_id", "visit_occurrence_id", "person_id")
    devices = tables["devices"].with_columns(local("started_at"), local("ended_at")).join(keys, on="stay_id")
    rows = {
        "visit_occurrence": _visits(stays, ids),
        "visit_detail": _details(tables["wards"].with_columns(local("entered_at")).join(keys, on="stay_id"), ids),
        "measurement": _coded(_measured(tables, devices, mmhg), by_code).join(
            keys, on="stay_id", maintain_order="left"
        ),
        "device_exposure": _exposures(devices),
        "person": _persons(stays),
        "care_site": pl.DataFrame({"care_site_id": list(ids.values()), "care_site_name": list(ids)}),
    }
    return {name: official(name, frame.drop("stay_id", "code", strict=False)) for name, frame in rows.items()}


def _visits(stays: pl.DataFrame, site_ids: Mapping[str, int]) -> pl.DataFrame:
    """A stay still open has no end at all: the standard wants the date of the extract, which would discharge it."""
    return stays.select(
        "visit_occurrence_id",
        "person_id",
        visit_concept_id=pl.lit(9201),
        visit_start_date=pl.col("admitted_at").str.head(10),
        visit_start_datetime="admitted_at",
        visit_end_date=pl.col("discharged_at").str.head(10),
        visit_end_datetime="discharged_at",
        visit_type_concept_id=pl.lit(EHR),
        care_site_id=pl.col("site").replace_strict(site_ids),
    )


def _details(wards: pl.DataFrame, ward_ids: Mapping[str, int]) -> pl.DataFrame:
    return wards.select(
        "visit_occurrence_id",
        "person_id",
        visit_detail_concept_id=pl.lit(9201),
        visit_detail_start_date=pl.col("entered_at").str.head(10),
        visit_detail_start_datetime="entered_at",
        visit_detail_end_date=pl.col("entered_at").str.head(10),
        visit_detail_type_concept_id=pl.lit(EHR),
        care_site_id=pl.col("ward").replace_strict(ward_ids),
    )


def _persons(stays: pl.DataFrame) -> pl.DataFrame:
    year = pl.col("admitted_at").str.head(4).cast(pl.Int32)
    return stays.group_by("person_id", maintain_order=True).agg(
        gender_concept_id=pl.col("sex").replace_strict({"male": 8507, "female": 8532}).first(),
        year_of_birth=(year - pl.col("age_band").replace_strict(AGES)).first(),
        race_concept_id=pl.lit(0),
        ethnicity_concept_id=pl.lit(0),
    )


def _exposures(devices: pl.DataFrame) -> pl.DataFrame:
    return devices.select(
        "visit_occurrence_id",
        "person_id",
        device_concept_id=pl.col("device").replace_strict(DEVICE_CONCEPTS, default=0),
        device_exposure_start_date=pl.col("started_at").str.head(10),
        device_exposure_start_datetime="started_at",
        device_exposure_end_date=pl.col("ended_at").str.head(10),
        device_exposure_end_datetime="ended_at",
        device_type_concept_id=pl.lit(EHR),
        device_source_value=pl.when(~pl.col("device").is_in(list(DEVICE_CONCEPTS))).then("device"),
    )


def _coded(measured: pl.DataFrame, by_code: bool) -> pl.DataFrame:
    """Code and unit as source values of every row, or the code of those without a concept id only."""
    measured = measured.with_columns(
        measurement_date=pl.col("measurement_datetime").str.head(10), measurement_type_concept_id=pl.lit(EHR)
    )
    if by_code:
        return measured.with_columns(
            measurement_concept_id=pl.lit(0), measurement_source_value="code", unit_concept_id=pl.lit(0)
        )
    has_none = pl.col("measurement_concept_id") == 0
    return measured.with_columns(measurement_source_value=pl.when(has_none).then("code")).drop("unit_source_value")


def _measured(tables: Mapping[str, pl.DataFrame], devices: pl.DataFrame, mmhg: bool) -> pl.DataFrame:
    """All values as one long table in order of time, so that the values of a gas stand apart from each other."""
    readings = tables["readings"].with_columns(local("taken_at"))
    gases = tables["gases"].with_columns(local("taken_at"))
    parts = [
        _values(readings, "taken_at", "spo2_percent", SATURATION, "59408-5", 8554, "%"),
        _values(readings, "taken_at", "respiratory_rate", RATE, "9279-1", 8541, "/min"),
        _values(devices, "started_at", "flow_l_min", FLOW, "3151-8", 8698, "L/min"),
    ]
    for frame, at in ((devices, "started_at"), (gases, "taken_at")):
        percent = frame.with_columns((pl.col("fio2_fraction") * 100).round(6))
        parts.append(_values(percent, at, "fio2_fraction", OXYGEN, "3150-0", 8554, "%"))
    for (column, sample), (concept, code) in GAS_CONCEPTS.items():
        of_sample = gases.filter(pl.col("sample_type") == sample)
        unit_id, unit = GAS_UNITS.get(column, (8753, "mmol/L"))
        if mmhg and unit == "kPa":
            of_sample = of_sample.with_columns(pl.col(column) * MMHG_PER_KPA)
            unit_id, unit = 8876, "mm[Hg]"
        parts.append(_values(of_sample, "taken_at", column, concept, code, unit_id, unit))
    return pl.concat(parts).sort("measurement_datetime", maintain_order=True)


def _values(
    frame: pl.DataFrame, at: str, column: str, concept: int, code: str, unit_id: int, unit: str
) -> pl.DataFrame:
    return frame.filter(pl.col(column).is_not_null()).select(
        "stay_id",
        measurement_datetime=at,
        value_as_number=pl.col(column).cast(pl.Float64),
        measurement_concept_id=pl.lit(concept),
        code=pl.lit(code),
        unit_concept_id=pl.lit(unit_id),
        unit_source_value=pl.lit(unit),
    )


def write_folder(folder: Path, tables: Mapping[str, pl.DataFrame], form: str = "csv", upper: bool = False) -> Path:
    """Writes one file a table. form: csv, csv.gz or parquet (with timestamps). upper: column names in capitals."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        rows = frame.rename(str.upper) if upper else frame
        path = folder / f"{name}.{form}"
        if form == "parquet":
            times = [c for c in rows.columns if c.lower().endswith("_datetime") and rows[c].dtype == pl.String]
            rows.with_columns(pl.col(times).str.to_datetime("%Y-%m-%d %H:%M:%S")).write_parquet(path)
        elif form == "csv.gz":
            path.write_bytes(gzip.compress(rows.write_csv().encode()))
        else:
            rows.write_csv(path)
    return folder


def write_rows(folder: Path, **tables: Rows | str) -> Path:
    """Writes small tables as CSV: rows as given, without the columns that they do not have; text as it stands."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        text = rows if isinstance(rows, str) else pl.DataFrame(rows, infer_schema_length=None).write_csv()
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def collected(folder: Path, tell: list[str] | None = None) -> dict[str, pl.DataFrame]:
    """All pieces of each table of the extract, as the sources of the folder yield them."""
    pieces: dict[str, list[pl.DataFrame]] = {}
    for source in omop_sources(folder, (tell if tell is not None else []).append):
        names = ["row_number", *source.columns, "rule", "fault_column"]
        none = pl.DataFrame(schema=dict.fromkeys(names, pl.String) | {"row_number": pl.Int64})
        pieces.setdefault(source.table, [none])
        for piece in source.pieces([]):
            assert piece.columns == names
            assert set(piece.drop("row_number").dtypes) == {pl.String}
            pieces[source.table].append(piece)
    return {table: pl.concat(frames) for table, frames in pieces.items()}


def as_typed(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    """The rows typed as the load types them; every one must be good."""
    assert rows["rule"].null_count() == rows.height, rows.filter(pl.col("rule").is_not_null())
    frame = typed(rows.drop("rule", "fault_column"), TABLES[table], ZONE)
    assert frame["rule"].null_count() == frame.height, frame.filter(pl.col("rule").is_not_null())
    return frame
