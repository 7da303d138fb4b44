-- One row per table of the extract that must be there or came with rows.
-- rows_accepted: rows that broke no rule, exact repeats left out. share_kept_aside: null where no row was read.
select
    table_name as subject,
    rows_accepted,
    case when rows_read > 0 then rows_kept_aside / rows_read end as share_kept_aside
from counted_tables
where
    is_required
    or rows_read > 0
order by table_name;
