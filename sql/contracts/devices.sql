-- One row. share_unknown: records of a cannula or mask with neither flow nor inspired fraction, of all such records.
-- Null where there are too few.
select
    'devices' as subject,
    case
        when count(*) >= any_value(judged_load.fewest_rows)
            then count(*) filter (
                where
                    incoming_devices.flow_l_min is null
                    and incoming_devices.fio2_fraction is null
            ) / count(*)
    end as share_unknown
from incoming_devices
cross join judged_load
where
    incoming_devices.rule is null
    and incoming_devices.status <> 'repeated'
    and incoming_devices.device in ('nasal_cannula', 'simple_mask', 'air_entrainment_mask', 'reservoir_mask');
