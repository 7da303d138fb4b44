-- One row per month and direction, over the twelve months that end with it.
with changes as (
    select
        oxygen_changes.*,
        12 * cast(substr(month, 1, 4) as integer) + cast(substr(month, 6, 2) as integer) as month_number
    from oxygen_changes
    where retainer_ever is not null
),

months as (
    select distinct
        month,
        12 * cast(substr(month, 1, 4) as integer) + cast(substr(month, 6, 2) as integer) as month_number
    from stay_month_time
),

windows as (
    select
        months.month,
        changes.direction,
        stays.patient_key,
        changes.pco2_change_kpa,
        changes.ph_change,
        changes.pco2_change_kpa >= (
            select value from policy_values where name = 'pco2_rise_from_kpa'
        ) as risen
    from months
    join changes
        on changes.month_number between months.month_number - 11 and months.month_number
    join stays
        on stays.stay_id = changes.stay_id
)

select
    month,
    direction,
    count(*) as changes,
    count(pco2_change_kpa) as pairs,
    count(distinct case when pco2_change_kpa is not null then patient_key end) as patients,
    quantile_cont(pco2_change_kpa, 0.5) as pco2_change_median_kpa,
    quantile_cont(pco2_change_kpa, 0.25) as pco2_change_q1_kpa,
    quantile_cont(pco2_change_kpa, 0.75) as pco2_change_q3_kpa,
    count(*) filter (where risen) as pco2_risen_pairs,
    quantile_cont(ph_change, 0.5) as ph_change_median,
    quantile_cont(ph_change, 0.25) as ph_change_q1,
    quantile_cont(ph_change, 0.75) as ph_change_q3
from windows
group by
    month,
    direction
order by
    month,
    direction;
