-- One row. share_unknown: arterial and capillary gases without a pCO2, of all such gases. Null where there are too few.
select
    'gases' as subject,
    case
        when count(*) >= any_value(judged_load.fewest_rows)
            then count(*) filter (where incoming_gases.pco2_kpa is null) / count(*)
    end as share_unknown
from incoming_gases
cross join judged_load
where
    incoming_gases.rule is null
    and incoming_gases.status <> 'repeated'
    and incoming_gases.sample_type in ('arterial', 'capillary');
