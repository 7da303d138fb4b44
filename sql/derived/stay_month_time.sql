-- One row per stay, month and ward: seconds in each band state and readings in each, over all targets.
-- Adds up the many spans by condition and state first: a third less work than the same sums over `timeline`.
with added_up as (
    select
        condition_no,
        band_state,
        sum(seconds) as seconds,
        sum(readings) as readings
    from spans
    group by
        condition_no,
        band_state
),

counted as (
    select
        conditions.stay_id,
        conditions.patient_key,
        conditions.month,
        conditions.ward,
        max(case when conditions.retainer_ever is not null then 1 else 0 end) as has_evidence,
        sum(case when band_state = 'below' then seconds else 0 end) as below_s,
        sum(case when band_state = 'within' then seconds else 0 end) as within_s,
        sum(case when band_state = 'above_on_oxygen' then seconds else 0 end) as above_on_oxygen_s,
        sum(case when band_state = 'above_on_air' then seconds else 0 end) as above_on_air_s,
        sum(case when band_state = 'above_device_unknown' then seconds else 0 end) as above_device_unknown_s,
        sum(case when band_state = 'unobserved' then seconds else 0 end) as unobserved_s,
        sum(case when band_state = 'no_target' then seconds else 0 end) as no_target_s,
        sum(case when band_state = 'excluded' then seconds else 0 end) as excluded_s,
        sum(case when band_state = 'unobserved' and on_oxygen then seconds else 0 end) as unobserved_on_oxygen_s,
        sum(case when band_state = 'unobserved' and not on_oxygen then seconds else 0 end) as unobserved_on_air_s,
        sum(case when band_state not in ('no_target', 'excluded') then readings else 0 end) as readings,
        sum(case when band_state = 'below' then readings else 0 end) as readings_below,
        sum(case when band_state = 'within' then readings else 0 end) as readings_within,
        sum(case when band_state = 'above_on_oxygen' then readings else 0 end) as readings_above_on_oxygen
    from added_up
    join conditions
        on conditions.condition_no = added_up.condition_no
    group by
        conditions.stay_id,
        conditions.patient_key,
        conditions.month,
        conditions.ward
),

patient_months as (
    select
        patient_key,
        month,
        case when max(has_evidence) = 1 then 'retainer' else 'other' end as retainer_group
    from counted
    group by
        patient_key,
        month
)

select
    counted.stay_id,
    counted.patient_key,
    counted.month,
    counted.ward,
    patient_months.retainer_group,
    counted.below_s,
    counted.within_s,
    counted.above_on_oxygen_s,
    counted.above_on_air_s,
    counted.above_device_unknown_s,
    counted.unobserved_s,
    counted.no_target_s,
    counted.excluded_s,
    counted.unobserved_on_oxygen_s,
    counted.unobserved_on_air_s,
    counted.readings,
    counted.readings_below,
    counted.readings_within,
    counted.readings_above_on_oxygen
from counted
join patient_months
    on patient_months.patient_key = counted.patient_key and patient_months.month = counted.month
order by
    counted.stay_id,
    counted.month,
    counted.ward;
