-- One row per stay with any evidence of CO2 retention.
select
    stay_id,
    patient_key,
    retainer_ever,
    min(case when retainer = 'gas' then started_at end) as gas_at,
    min(case when retainer = 'history' then started_at end) as history_at,
    min(case when retainer = 'target' then started_at end) as target_at
from timeline
where retainer_ever is not null
group by
    stay_id,
    patient_key,
    retainer_ever
order by stay_id;
