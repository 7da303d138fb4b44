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
),

-- Every known difference in order, numbered from 0: the quartiles are found by their place.
ordered as (
    select
        month,
        direction,
        'pco2' as figure,
        pco2_change_kpa as difference,
        row_number() over (partition by month, direction order by pco2_change_kpa) - 1 as place,
        count(*) over (partition by month, direction) as pairs
    from windows
    where pco2_change_kpa is not null
    union all
    select
        month,
        direction,
        'ph' as figure,
        ph_change as difference,
        row_number() over (partition by month, direction order by ph_change) - 1 as place,
        count(*) over (partition by month, direction) as pairs
    from windows
    where ph_change is not null
),

-- A quartile lies at its place, or on the line between the two places next to it.
places as (
    select
        ordered.month,
        ordered.direction,
        ordered.figure,
        quarters.quarter,
        quarters.quarter * (ordered.pairs - 1) / 4 as wanted,
        ordered.place,
        ordered.difference
    from ordered
    cross join (
        values
            (1),
            (2),
            (3)
    ) as quarters (quarter)
),

quartiles as (
    select
        month,
        direction,
        figure,
        quarter,
        max(case when place = floor(wanted) then difference end) * (1 - max(wanted) + floor(max(wanted)))
        + max(case when place = ceil(wanted) then difference end) * (max(wanted) - floor(max(wanted))) as quartile
    from places
    where place = floor(wanted) or place = ceil(wanted)
    group by
        month,
        direction,
        figure,
        quarter
),

quartiles_beside as (
    select
        month,
        direction,
        max(case when figure = 'pco2' and quarter = 2 then quartile end) as pco2_change_median_kpa,
        max(case when figure = 'pco2' and quarter = 1 then quartile end) as pco2_change_q1_kpa,
        max(case when figure = 'pco2' and quarter = 3 then quartile end) as pco2_change_q3_kpa,
        max(case when figure = 'ph' and quarter = 2 then quartile end) as ph_change_median,
        max(case when figure = 'ph' and quarter = 1 then quartile end) as ph_change_q1,
        max(case when figure = 'ph' and quarter = 3 then quartile end) as ph_change_q3
    from quartiles
    group by
        month,
        direction
),

counted as (
    select
        month,
        direction,
        count(*) as changes,
        count(pco2_change_kpa) as pairs,
        count(distinct case when pco2_change_kpa is not null then patient_key end) as patients,
        sum(case when risen then 1 else 0 end) as pco2_risen_pairs
    from windows
    group by
        month,
        direction
)

select
    counted.month,
    counted.direction,
    counted.changes,
    counted.pairs,
    counted.patients,
    quartiles_beside.pco2_change_median_kpa,
    quartiles_beside.pco2_change_q1_kpa,
    quartiles_beside.pco2_change_q3_kpa,
    counted.pco2_risen_pairs,
    quartiles_beside.ph_change_median,
    quartiles_beside.ph_change_q1,
    quartiles_beside.ph_change_q3
from counted
left join quartiles_beside
    on quartiles_beside.month = counted.month and quartiles_beside.direction = counted.direction
order by
    counted.month,
    counted.direction;
