-- One row per optional column of each table with enough accepted rows: the share of them that leave it empty, beside
-- the usual in earlier loads.
select
    counted_columns.table_name || '.' || counted_columns.column_name as subject,
    counted_columns.column_name || ' of ' || counted_columns.table_name as in_words,
    counted_columns.rows_missing / counted_columns.row_count as share_missing,
    earlier_loads.usual
from counted_columns
cross join judged_load
left join earlier_loads
    on earlier_loads.contract = 'columns_missing'
    and earlier_loads.subject = counted_columns.table_name || '.' || counted_columns.column_name
where counted_columns.row_count >= judged_load.fewest_rows
order by
    counted_columns.table_name,
    counted_columns.column_name;
