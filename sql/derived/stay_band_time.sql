-- One row per stay, month, ward, target in force and retainer status at the time: seconds in each band state.
-- Adds up the many spans by their conditions first and looks at the few conditions after: several times faster than
-- the same sums over `timeline`.
with by_condition as (
    select
        condition_no,
        sum(case when band_state = 'below' then seconds else 0 end) as below_s,
        sum(case when band_state = 'within' then seconds else 0 end) as within_s,
        sum(case when band_state = 'above_on_oxygen' then seconds else 0 end) as above_on_oxygen_s,
        sum(case when band_state = 'above_on_air' then seconds else 0 end) as above_on_air_s,
        sum(case when band_state = 'above_device_unknown' then seconds else 0 end) as above_device_unknown_s,
        sum(case when band_state = 'unobserved' then seconds else 0 end) as unobserved_s,
        sum(case when band_state = 'no_target' then seconds else 0 end) as no_target_s,
        sum(case when band_state = 'excluded' then seconds else 0 end) as excluded_s
    from spans
    group by condition_no
)

select
    conditions.stay_id,
    conditions.patient_key,
    conditions.month,
    conditions.ward,
    conditions.lower_percent,
    conditions.upper_percent,
    conditions.retainer,
    sum(by_condition.below_s) as below_s,
    sum(by_condition.within_s) as within_s,
    sum(by_condition.above_on_oxygen_s) as above_on_oxygen_s,
    sum(by_condition.above_on_air_s) as above_on_air_s,
    sum(by_condition.above_device_unknown_s) as above_device_unknown_s,
    sum(by_condition.unobserved_s) as unobserved_s,
    sum(by_condition.no_target_s) as no_target_s,
    sum(by_condition.excluded_s) as excluded_s
from by_condition
join conditions
    on conditions.condition_no = by_condition.condition_no
group by
    conditions.stay_id,
    conditions.patient_key,
    conditions.month,
    conditions.ward,
    conditions.lower_percent,
    conditions.upper_percent,
    conditions.retainer
order by
    conditions.stay_id,
    conditions.month,
    conditions.ward,
    conditions.lower_percent,
    conditions.upper_percent,
    conditions.retainer;
