-- One row. patients_a_day: patients in hospital at a time, on average over the time covered, beside the usual.
-- Null where less than a week is covered.
with patient_time as (
    select sum(seconds) / 86400 as patient_days
    from stay_time
),

covered as (
    select date_diff('second', covered_from, as_of) / 86400 as days
    from judged_load
)

select
    'the load' as subject,
    case when covered.days >= 7 then patient_time.patient_days / covered.days end as patients_a_day,
    earlier_loads.usual
from patient_time
cross join covered
left join earlier_loads
    on earlier_loads.contract = 'patients_a_day';
