-- One row per table and rule that rows of it broke; one per table, without a rule, whose rows broke none.
-- share_kept_aside: rows that broke the rule, of all rows of the table.
with broken as (
    select
        table_name,
        rule,
        sum(row_count) as rows_kept_aside
    from counted_rows
    where rule is not null
    group by
        table_name,
        rule
)

select
    counted_tables.table_name || coalesce(': ' || broken.rule, '') as subject,
    counted_tables.table_name || ' were kept aside' || coalesce(' for one reason: ' || meanings.meaning, '') as in_words,
    coalesce(broken.rows_kept_aside, 0) / counted_tables.rows_read as share_kept_aside
from counted_tables
left join broken
    on broken.table_name = counted_tables.table_name
left join meanings
    on meanings.rule = broken.rule
where counted_tables.rows_read > 0
order by
    counted_tables.table_name,
    broken.rule;
