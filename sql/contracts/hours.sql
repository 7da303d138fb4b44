-- One row per quarter of the day, weekdays and weekends apart: readings in it per day, as a ratio to an even spread over
-- the whole local days the load covers. Null where an even spread would give few readings.
with blocks as (
    select
        isodow(judged_days.local_date) >= 6 as is_weekend,
        quarters.quarter,
        count(*) as days
    from judged_days
    cross join (select unnest([0, 1, 2, 3]) as quarter) as quarters
    group by
        is_weekend,
        quarters.quarter
),

counted as (
    select
        isodow(readings_by_quarter.local_at) >= 6 as is_weekend,
        hour(readings_by_quarter.local_at) // 6 as quarter,
        sum(readings_by_quarter.readings) as readings
    from readings_by_quarter
    join judged_days
        on judged_days.local_date = readings_by_quarter.local_at::date
    group by
        is_weekend,
        quarter
),

spread as (
    select
        blocks.is_weekend,
        blocks.quarter,
        coalesce(counted.readings, 0) as readings,
        blocks.days * sum(counted.readings) over () / sum(blocks.days) over () as expected
    from blocks
    left join counted
        on counted.is_weekend = blocks.is_weekend and counted.quarter = blocks.quarter
)

select
    case when spread.is_weekend then 'weekends' else 'weekdays' end
        || printf(' %02d:00 to %02d:00', 6 * spread.quarter, 6 * spread.quarter + 6) as subject,
    case
        when spread.expected >= judged_load.fewest_rows then spread.readings / spread.expected
    end as share_of_even
from spread
cross join judged_load
order by
    spread.is_weekend,
    spread.quarter;
