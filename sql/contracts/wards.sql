-- One row per ward in which patients of this load lay in the time it covers, with their readings there.
-- Null where the time is too short for a reading to be due; the rate also where there is no reading at all, which the
-- number of readings tells already.
with entered as (
    select
        stay_id,
        ward,
        entered_at,
        lead(entered_at) over (partition by stay_id order by entered_at) as left_at
    from incoming_wards
    where
        rule is null
        and status <> 'repeated'
),

ward_time as (
    select
        entered.stay_id,
        entered.ward,
        greatest(entered.entered_at, stay_time.started_at) as started_at,
        least(coalesce(entered.left_at, stay_time.ended_at), stay_time.ended_at) as ended_at
    from entered
    join stay_time
        on stay_time.stay_id = entered.stay_id
),

patient_time as (
    select
        ward,
        sum(date_diff('second', started_at, ended_at)) / 86400 as patient_days
    from ward_time
    where started_at < ended_at
    group by ward
),

readings as (
    select
        ward_time.ward,
        count(*) as readings
    from incoming_readings
    join ward_time
        on ward_time.stay_id = incoming_readings.stay_id
        and ward_time.started_at <= incoming_readings.taken_at
        and incoming_readings.taken_at < ward_time.ended_at
    where
        incoming_readings.rule is null
        and incoming_readings.status <> 'repeated'
    group by ward_time.ward
)

select
    patient_time.ward as subject,
    case
        when patient_time.patient_days >= judged_load.fewest_patient_days_for_a_reading then coalesce(readings.readings, 0)
    end as readings,
    case
        when patient_time.patient_days >= judged_load.fewest_patient_days
            then readings.readings / patient_time.patient_days
    end as readings_a_patient_day
from patient_time
cross join judged_load
left join readings
    on readings.ward = patient_time.ward
order by patient_time.ward;
