-- One row. share_without: stays of this load without one accepted target in it or in the store.
with with_target as (
    select stay_id
    from incoming_targets
    where rule is null
    union
    select stays.stay_id
    from targets
    join stays
        on stays.stay_no = targets.stay_no
)

select
    'the load' as subject,
    case
        when count(*) > 0 then count(*) filter (where with_target.stay_id is null) / count(*)
    end as share_without
from stay_time
left join with_target
    on with_target.stay_id = stay_time.stay_id;
