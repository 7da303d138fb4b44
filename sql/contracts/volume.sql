-- One row per table of the extract with rows, but `stays`: its rows a patient-day, beside the usual in earlier loads.
-- Null where there is too little patient time, or too few rows are to be expected, for a comparison to mean anything.
with patient_time as (
    select sum(seconds) / 86400 as patient_days
    from stay_time
)

select
    counted_tables.table_name as subject,
    counted_tables.rows_accepted / patient_time.patient_days as rows_a_patient_day,
    case
        when earlier_loads.usual * patient_time.patient_days >= judged_load.fewest_rows then earlier_loads.usual
    end as usual
from counted_tables
cross join patient_time
cross join judged_load
left join earlier_loads
    on earlier_loads.contract = 'rows_a_patient_day' and earlier_loads.subject = counted_tables.table_name
where
    counted_tables.table_name <> 'stays'
    and (counted_tables.rows_read > 0 or earlier_loads.usual is not null)
    and patient_time.patient_days >= judged_load.fewest_patient_days
order by counted_tables.table_name;
