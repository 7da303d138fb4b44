-- One row per stay, month, ward, target in force and retainer status at the time: seconds in each band state.
select
    stay_id,
    patient_key,
    month,
    ward,
    lower_percent,
    upper_percent,
    retainer,
    sum(case when band_state = 'below' then seconds else 0 end) as below_s,
    sum(case when band_state = 'within' then seconds else 0 end) as within_s,
    sum(case when band_state = 'above_on_oxygen' then seconds else 0 end) as above_on_oxygen_s,
    sum(case when band_state = 'above_on_air' then seconds else 0 end) as above_on_air_s,
    sum(case when band_state = 'above_device_unknown' then seconds else 0 end) as above_device_unknown_s,
    sum(case when band_state = 'unobserved' then seconds else 0 end) as unobserved_s,
    sum(case when band_state = 'no_target' then seconds else 0 end) as no_target_s,
    sum(case when band_state = 'excluded' then seconds else 0 end) as excluded_s
from timeline
group by
    stay_id,
    patient_key,
    month,
    ward,
    lower_percent,
    upper_percent,
    retainer
order by
    stay_id,
    month,
    ward,
    lower_percent,
    upper_percent,
    retainer;
