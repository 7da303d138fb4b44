"""Makes rows of the extract out of staged OMOP rows: a gas out of the values of one instant, a device with its flow.

A row made of several has the number of the first. Faults that only this way in can see go out as `rule` and
`fault_column` (both null for a row that is still to be judged by its cells).
"""

import duckdb

_GAS_PARTS = {"ph": "ph", "pco2": "pco2_kpa", "po2": "po2_kpa", "bicarbonate": "bicarbonate_mmol_l"}

# One row per stay, instant and quantity: its value, its fault, and whether several rows say different things.
_SINGLE_VALUES = """
    create table single_values as
    select
        stay_id,
        taken_at,
        quantity,
        min(value) as value,
        case
            when max(fault) is not null then max(fault)
            when count(distinct value) > 1 then 'conflicting_repeat'
        end as fault
    from measured
    where quantity in ('respiratory_rate', 'flow', 'fio2') and stay_id is not null and length(taken_at) >= 19
    group by stay_id, taken_at, quantity
"""


def _single(quantity: str) -> str:
    return f"(select stay_id, taken_at, value, fault from single_values where quantity = '{quantity}')"


def _first_fault(faults: dict[str, str]) -> str:
    """SQL for `rule` and `fault_column`: of the first column at fault. faults: column: expression, null where none."""
    rule = f"coalesce({', '.join(faults.values())}) as rule"
    column = " ".join(f"when {fault} is not null then '{column}'" for column, fault in faults.items())
    return f"{rule}, case {column} end as fault_column"


# One row per stay in hospital. Age bands as ten years; the youngest and the oldest together.
_STAYS = """
    create view stays as
    with people as (
        select
            person_id,
            min(sex) as sex,
            min(year_of_birth) as year_of_birth
        from persons
        group by person_id
    ),
    sites as (
        select
            care_site_id,
            min(name) as name
        from care_sites
        group by care_site_id
    ),
    aged as (
        select
            visits.*,
            people.sex,
            sites.name as site,
            try_cast(admitted_at[:4] as smallint)::integer - year_of_birth as age
        from visits
        left join people on people.person_id = visits.patient_key
        left join sites using (care_site_id)
        where is_stay
    )
    select
        file_number,
        row_number,
        stay_id,
        patient_key,
        admitted_at,
        discharged_at,
        site,
        case
            when age < 0 then null
            when age < 18 then '0-17'
            when age < 40 then '18-39'
            when age >= 90 then '90+'
            else (age // 10 * 10)::varchar || '-' || (age // 10 * 10 + 9)::varchar
        end as age_band,
        sex,
        null::varchar as rule,
        null::varchar as fault_column
    from aged
"""
# One row per part of a stay.
_WARDS = """
    create view wards as
    with sites as (
        select
            care_site_id,
            min(name) as name
        from care_sites
        group by care_site_id
    )
    select
        file_number,
        row_number,
        stay_id,
        coalesce(sites.name, details.care_site_id, concept_names.name, details.concept_id) as ward,
        entered_at,
        null::varchar as rule,
        null::varchar as fault_column
    from details
    left join sites on sites.care_site_id = details.care_site_id
    left join concept_names on concept_names.concept_id = details.concept_id
"""
# One row per saturation by pulse oximetry, with the respiratory rate of the same instant.
_READINGS = f"""
    create view readings as
    select
        file_number,
        row_number,
        stay_id,
        taken_at,
        saturations.value as spo2_percent,
        rates.value as respiratory_rate,
        {_first_fault({"spo2_percent": "saturations.fault", "respiratory_rate": "rates.fault"})}
    from (from measured where quantity = 'spo2') as saturations
    left join {_single("respiratory_rate")} as rates using (stay_id, taken_at)
"""
_PART_VALUES = ",\n".join(
    f"min(value) filter (where quantity = '{part}') as {column}, "
    f"case when max(fault) filter (where quantity = '{part}') is not null "
    f"then max(fault) filter (where quantity = '{part}') "
    f"when count(distinct value) filter (where quantity = '{part}') > 1 then 'conflicting_repeat' end as {column}_fault"
    for part, column in _GAS_PARTS.items()
)
_GAS_FAULTS = {column: f"{column}_fault" for column in _GAS_PARTS.values()} | {"fio2_fraction": "inspired.fault"}
# One row per stay, instant and kind of sample with a pH or a partial pressure. A value of blood without a kind belongs
# to the only kind at its instant. Rows without stay or instant cannot be gathered and stand alone.
_GASES = f"""
    create table gases as
    with parts as (
        select
            *,
            case
                when stay_id is null or coalesce(length(taken_at), 0) < 19 then file_number || ' ' || row_number
                else ''
            end as alone
        from measured
        where quantity in {tuple(_GAS_PARTS)}
    ),
    kinds as (
        select
            stay_id,
            taken_at,
            min(sample) as only_sample
        from parts
        where alone = '' and sample <> 'blood'
        group by stay_id, taken_at
        having count(distinct sample) = 1
    ),
    placed as (
        select
            parts.*,
            case when sample <> 'blood' then sample else only_sample end as sample_type
        from parts
        left join kinds using (stay_id, taken_at)
    ),
    gathered as (
        select
            min(struct_pack(file_number := file_number, row_number := row_number)) as first_row,
            stay_id,
            taken_at,
            sample_type,
            count(*) as parts,
            {_PART_VALUES}
        from placed
        group by stay_id, taken_at, sample_type, alone
        having count(*) filter (where quantity <> 'bicarbonate') > 0
    )
    select
        first_row.file_number as file_number,
        first_row.row_number as row_number,
        gathered.stay_id,
        gathered.taken_at,
        sample_type,
        {", ".join(_GAS_PARTS.values())},
        inspired.value as fio2_fraction,
        parts,
        {_first_fault(_GAS_FAULTS)}
    from gathered
    left join {_single("fio2")} as inspired using (stay_id, taken_at)
"""
# One row per use of a device that gives oxygen, with the flow and concentration charted at its start; where none is
# charted, with the concentration printed on the valve. What is not known
# as such is one when oxygen was charted at its start; a row without any name is kept for what it lacks.
_DEVICES = f"""
    create table devices as
    select
        file_number,
        row_number,
        exposures.stay_id,
        started_at,
        case when is_unnamed then device else coalesce(device, 'other') end as device,
        flows.value as flow_l_min,
        coalesce(inspired.value, printed_fraction) as fio2_fraction,
        ended_at,
        {_first_fault({"flow_l_min": "flows.fault", "fio2_fraction": "inspired.fault"})}
    from exposures
    left join {_single("flow")} as flows on flows.stay_id = exposures.stay_id and flows.taken_at = started_at
    left join {_single("fio2")} as inspired on inspired.stay_id = exposures.stay_id and inspired.taken_at = started_at
    where device is not null or is_unnamed or flows.stay_id is not null or inspired.stay_id is not null
"""
_FLAGS = """
    create view flags as
    select
        file_number,
        row_number,
        stay_id,
        flagged_at,
        flag,
        null::varchar as rule,
        null::varchar as fault_column
    from observed
"""
# Staged rows of visits that are known and are no stays.
_OF_OTHER_VISITS = "from {table} where stay_id in (select stay_id from visits where not is_stay)"


def gather(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Makes a table or view by the name of each table of the extract, with `file_number`, `row_number`, its columns,
    `rule` and `fault_column`.

    Rows of visits that are known and are no stays are taken away first; the answer is how many, by staged table. Those
    of unknown visits stay, for the load to keep aside.
    """
    taken_away = {}
    for table in ("details", "measured", "exposures", "observed"):
        rows = _OF_OTHER_VISITS.format(table=table)
        [(taken_away[table],)] = connection.execute(f"select count(*) {rows}").fetchall()
        connection.execute(f"delete {rows}")
    for statement in (_SINGLE_VALUES, _STAYS, _WARDS, _READINGS, _GASES, _DEVICES, _FLAGS):
        connection.execute(statement)
    return taken_away
