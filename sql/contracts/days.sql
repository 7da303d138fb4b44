-- One row per whole local day inside the time the load covers, with the readings taken on it.
-- Null where so few patients were in hospital that no reading was due.
with days as (
    select
        judged_days.local_date,
        (judged_days.local_date::timestamp at time zone judged_load.zone) at time zone 'UTC' as started_at,
        ((judged_days.local_date + 1)::timestamp at time zone judged_load.zone) at time zone 'UTC' as ended_at
    from judged_days
    cross join judged_load
),

-- A stay is looked for on its few days only; a day to each side, since these are days of UTC.
stay_days as (
    select
        started_at,
        ended_at,
        unnest(generate_series(started_at::date - 1, ended_at::date + 1, interval 1 day))::date as local_date
    from stay_time
),

patient_time as (
    select
        days.local_date,
        sum(
            date_diff(
                'second',
                greatest(days.started_at, stay_days.started_at),
                least(days.ended_at, stay_days.ended_at)
            )
        ) / 86400 as patient_days
    from days
    join stay_days
        on stay_days.local_date = days.local_date
        and stay_days.started_at < days.ended_at
        and days.started_at < stay_days.ended_at
    group by days.local_date
),

readings as (
    select
        local_at::date as local_date,
        sum(readings) as readings
    from readings_by_quarter
    group by local_at::date
)

select
    strftime(days.local_date, '%Y-%m-%d') as subject,
    case
        when patient_time.patient_days >= judged_load.fewest_patient_days_for_a_reading
            then coalesce(readings.readings, 0)
    end as readings
from days
cross join judged_load
left join patient_time
    on patient_time.local_date = days.local_date
left join readings
    on readings.local_date = days.local_date
order by days.local_date;
