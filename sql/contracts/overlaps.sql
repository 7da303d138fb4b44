-- One row. share_overlapping: stays of this load that overlap another stay of the same patient, in it or in the store.
-- Null where there is none.
with every_stay as (
    select stay_id, patient_key, admitted_at, discharged_at
    from incoming_stays
    where
        rule is null
        and status <> 'repeated'
    union
    select stay_id, patient_key, admitted_at, discharged_at
    from stays
    where stay_id not in (select stay_id from incoming_stays where stay_id is not null)
),

overlapping as (
    select distinct one.stay_id
    from every_stay as one
    join every_stay as other
        on other.patient_key = one.patient_key
        and other.stay_id <> one.stay_id
        and other.admitted_at < coalesce(one.discharged_at, 'infinity'::timestamp)
        and one.admitted_at < coalesce(other.discharged_at, 'infinity'::timestamp)
)

select
    'the load' as subject,
    case
        when count(*) > 0 then count(*) filter (where overlapping.stay_id is not null) / count(*)
    end as share_overlapping
from incoming_stays
left join overlapping
    on overlapping.stay_id = incoming_stays.stay_id
where
    incoming_stays.rule is null
    and incoming_stays.status <> 'repeated';
