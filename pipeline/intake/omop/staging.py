"""Brings the rows of OMOP tables that matter to the audit into a database in memory, as text, with their row numbers.

What a row means is settled here; which rows make one row of the extract, in `gathering.py`.
"""

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.errors import ExtractError
from pipeline.intake.omop.concepts import (
    EQUALS_OPERATOR,
    OXYGEN_DEVICE_WORDS,
    PRINTED_CONCENTRATION,
    PULSE_OXIMETRY_WORDS,
    STAY_VISITS,
)
from pipeline.intake.omop.files import OmopFile, concept_names, memory_database, omop_pieces
from pipeline.intake.omop.meanings import Meanings, make_lookups, meaning_key, read_meanings
from pipeline.intake.omop.times import INSTANT, clear_false_midnights
from pipeline.intake.source import RaggedRow
from pipeline.memory import shares

# One row per row of a table of the common data model that matters. file_number: place of the file in the folder.
# quantity: null for an arterial saturation that is not of pulse oximetry. device: null where none of ours is meant;
# is_unnamed: the row says nothing at all about the device. printed_fraction: what a name such as "Venturi 28%" says.
_TABLES = """
    create table visits (
        file_number integer, row_number bigint, stay_id varchar, patient_key varchar, is_stay boolean,
        admitted_at varchar, discharged_at varchar, care_site_id varchar
    );
    create table details (
        file_number integer, row_number bigint, stay_id varchar, entered_at varchar, care_site_id varchar,
        concept_id varchar
    );
    create table measured (
        file_number integer, row_number bigint, stay_id varchar, taken_at varchar, quantity varchar, sample varchar,
        value varchar, fault varchar
    );
    create table exposures (
        file_number integer, row_number bigint, stay_id varchar, started_at varchar, device varchar,
        is_unnamed boolean, ended_at varchar, printed_fraction varchar
    );
    create table observed (
        file_number integer, row_number bigint, stay_id varchar, flagged_at varchar, flag varchar
    );
    create table persons (person_id varchar, sex varchar, year_of_birth integer);
    create table care_sites (care_site_id varchar, name varchar);
    create table concept_names (concept_id varchar, name varchar);
"""


@dataclass(frozen=True)
class Staged:
    """The rows that matter.

    ragged: by file, the rows that have another length than its header. rows_read: by table, how many others were read.
    spill: where rows go that do not fit into memory; readable by its owner only, taken away with this object.
    """

    connection: duckdb.DuckDBPyConnection
    ragged: Mapping[str, list[RaggedRow]]
    rows_read: dict[str, int]
    spill: tempfile.TemporaryDirectory[str]


def stage_omop(files: list[OmopFile], tell: Callable[[str], None]) -> Staged:
    """Reads every file once.

    tell: gets a sentence on each table whose times are no times.
    Raises ExtractError when a file is damaged, or no visit is a stay in hospital.
    """
    spill = tempfile.TemporaryDirectory(prefix="bandaudit-")
    connection = memory_database()
    connection.execute("set temp_directory = $folder", {"folder": spill.name})
    # Beside the store and the frames of the load; what is more goes to the folder.
    connection.execute(f"set memory_limit = '{shares().second_database_bytes}B'")
    connection.execute(_TABLES)
    connection.execute(INSTANT)
    known = read_meanings(files)
    make_lookups(connection, known)
    staged = Staged(connection, {file.name: [] for file in files}, dict.fromkeys(_STAGED, 0), spill)
    for number, file in enumerate(files):
        if file.table == "concept":
            continue
        prepare, statement = _STAGED[file.table]
        values = {"file_number": number} if "$file_number" in statement else None
        for piece in omop_pieces(file, staged.ragged[file.name]):
            staged.rows_read[file.table] += piece.height
            connection.register("piece", prepare(piece, known))
            connection.execute(statement, values)
            connection.unregister("piece")
    _refuse_without_stays(connection)
    _name_concepts(connection, files)
    clear_false_midnights(connection, tell)
    return staged


def _refuse_without_stays(connection: duckdb.DuckDBPyConnection) -> None:
    [(visits, stays)] = connection.execute("select count(*), count(*) filter (where is_stay) from visits").fetchall()
    if visits and not stays:
        raise ExtractError(
            f"None of the {visits:,} rows of the OMOP table visit_occurrence is a stay in hospital: expected as "
            f"visit_concept_id {', '.join(STAY_VISITS)} (inpatient, emergency, both). Map the visits to these concepts "
            "in the export and load again; nothing was stored."
        )


def _name_concepts(connection: duckdb.DuckDBPyConnection, files: list[OmopFile]) -> None:
    ids = [row[0] for row in connection.execute("select distinct concept_id from details").fetchall() if row[0]]
    for file in files:
        if file.table == "concept":
            names = list(concept_names(file, ids).items())
            connection.register("named", pl.DataFrame(names, schema=["concept_id", "name"], orient="row"))
            connection.execute("insert into concept_names select concept_id::varchar, name::varchar from named")
            connection.unregister("named")


def _as_it_is(piece: pl.DataFrame, known: Meanings) -> pl.DataFrame:
    return piece


def _measurements(piece: pl.DataFrame, known: Meanings) -> pl.DataFrame:
    key = meaning_key(
        known.quantities, "measurement_concept_id", "measurement_source_concept_id", "measurement_source_value"
    )
    return piece.with_columns(key).filter(pl.col("meaning_key").is_in(list(known.quantities)))


def _exposures(piece: pl.DataFrame, known: Meanings) -> pl.DataFrame:
    return piece.with_columns(
        meaning_key(known.devices, "device_concept_id", "device_source_concept_id", "device_source_value")
    )


def _observations(piece: pl.DataFrame, known: Meanings) -> pl.DataFrame:
    key = meaning_key(
        known.flags, "observation_concept_id", "observation_source_concept_id", "observation_source_value"
    )
    return piece.with_columns(key).filter(pl.col("meaning_key").is_in(list(known.flags)))


_VISITS_SQL = f"""
    insert into visits
    select
        $file_number,
        row_number,
        visit_occurrence_id,
        person_id,
        coalesce(visit_concept_id in {STAY_VISITS}, false),
        instant(visit_start_datetime, visit_start_date, null),
        instant(visit_end_datetime, visit_end_date, null),
        care_site_id
    from piece
"""
_DETAILS_SQL = """
    insert into details
    select
        $file_number,
        row_number,
        visit_occurrence_id,
        instant(visit_detail_start_datetime, visit_detail_start_date, null),
        care_site_id,
        nullif(visit_detail_concept_id, '0')
    from piece
"""
_MEASURED_SQL = f"""
    insert into measured
    with meant as (
        select
            piece.*,
            case
                when quantity = 'sao2'
                    then case when regexp_matches(measurement_source_value, '{PULSE_OXIMETRY_WORDS}') then 'spo2' end
                else quantity
            end as quantity,
            sample,
            try_cast(value_as_number as double) as number,
            case
                when unit_ids.unit <> unit_texts.unit then 'contradicted'
                when coalesce(unit_ids.unit, unit_texts.unit) is not null then coalesce(unit_ids.unit, unit_texts.unit)
                when unit_source_value is null and coalesce(unit_concept_id, '0') = '0' then 'none'
                else 'unknown'
            end as unit
        from piece
        join quantities on quantities.meaning_key = piece.meaning_key
        left join unit_ids on unit_ids.concept_id = piece.unit_concept_id
        left join unit_texts on unit_texts.written = lower(piece.unit_source_value)
    )
    select
        $file_number,
        row_number,
        visit_occurrence_id,
        instant(measurement_datetime, measurement_date, measurement_time),
        meant.quantity,
        sample,
        coalesce((number * multiply / divide)::varchar, value_as_number),
        case
            when value_as_number is null then null
            when coalesce(operator_concept_id, '0') not in ('0', '{EQUALS_OPERATOR}') then 'not_a_number'
            when multiply is null then 'unknown_unit'
        end
    from meant
    left join factors on factors.quantity = meant.quantity and factors.unit = meant.unit
"""
_EXPOSURES_SQL = f"""
    insert into exposures
    with named as (
        select
            piece.*,
            trim(regexp_replace(lower(device_source_value), '[^a-z0-9]+', ' ', 'g')) as plain_name
        from piece
    ),
    printed as (
        select
            named.*,
            trim(regexp_replace(plain_name, '{PRINTED_CONCENTRATION}', ' ')) as name_of_valve,
            try_cast(regexp_extract(plain_name, '{PRINTED_CONCENTRATION}', 1) as integer) as printed_percent
        from named
    )
    select
        $file_number,
        row_number,
        visit_occurrence_id,
        instant(device_exposure_start_datetime, device_exposure_start_date, null),
        coalesce(
            device_names.device,
            valves.device,
            nullif(devices_meant.device, ''),
            case
                when devices_meant.device = '' or regexp_matches(device_source_value, '{OXYGEN_DEVICE_WORDS}')
                    then 'other'
            end
        ),
        device_source_value is null and coalesce(device_concept_id, '0') = '0',
        instant(device_exposure_end_datetime, device_exposure_end_date, null),
        case when valves.device is not null then (printed_percent / 100)::varchar end
    from printed
    left join device_names on device_names.name = printed.plain_name
    left join device_names as valves
        on valves.name = name_of_valve and valves.device = 'air_entrainment_mask' and printed_percent is not null
    left join devices_meant on devices_meant.meaning_key = printed.meaning_key
"""
_OBSERVED_SQL = """
    insert into observed
    select
        $file_number,
        row_number,
        visit_occurrence_id,
        instant(observation_datetime, observation_date, null),
        flag
    from piece
    join flags_meant using (meaning_key)
"""
_PERSONS_SQL = """
    insert into persons
    select
        person_id,
        sex,
        try_cast(year_of_birth as smallint)::integer
    from piece
    left join sexes on sexes.concept_id = piece.gender_concept_id
"""
_CARE_SITES_SQL = """
    insert into care_sites
    select
        care_site_id,
        care_site_name
    from piece
"""
_STAGED: Mapping[str, tuple[Callable[[pl.DataFrame, Meanings], pl.DataFrame], str]] = {
    "visit_occurrence": (_as_it_is, _VISITS_SQL),
    "visit_detail": (_as_it_is, _DETAILS_SQL),
    "measurement": (_measurements, _MEASURED_SQL),
    "device_exposure": (_exposures, _EXPOSURES_SQL),
    "observation": (_observations, _OBSERVED_SQL),
    "person": (_as_it_is, _PERSONS_SQL),
    "care_site": (_as_it_is, _CARE_SITES_SQL),
}
