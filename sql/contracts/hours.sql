-- One row per quarter of the day, weekdays and weekends apart: readings in it per day, as a ratio to an even spread over
-- the whole local days the load covers. Null where an even spread would give few readings.
-- Every offset from UTC is a whole number of quarters of an hour: few instants to place instead of many.
with instants as (
    select
        epoch_us(taken_at) // 900000000 as quarter_of_an_hour,
        count(*) as readings
    from incoming_readings
    where
        rule is null
        and status <> 'repeated'
    group by quarter_of_an_hour
),

placed as (
    select
        (make_timestamp(instants.quarter_of_an_hour * 900000000) at time zone 'UTC') at time zone judged_load.zone
            as local_at,
        instants.readings
    from instants
    cross join judged_load
),

dates as (
    select unnest(
        generate_series(
            ((covered_from at time zone 'UTC') at time zone zone)::date + 1,
            ((as_of at time zone 'UTC') at time zone zone)::date - 1,
            interval 1 day
        )
    )::date as local_date
    from judged_load
),

blocks as (
    select
        isodow(dates.local_date) >= 6 as is_weekend,
        quarters.quarter,
        count(*) as days
    from dates
    cross join (select unnest([0, 1, 2, 3]) as quarter) as quarters
    group by
        is_weekend,
        quarters.quarter
),

counted as (
    select
        isodow(placed.local_at) >= 6 as is_weekend,
        hour(placed.local_at) // 6 as quarter,
        sum(placed.readings) as readings
    from placed
    join dates
        on dates.local_date = placed.local_at::date
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
