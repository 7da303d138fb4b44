-- One row per stay and month: what the published definitions are made of.
-- Adds up the many spans by condition and state first, since whether oxygen ran is the same within a condition.
with added_up as (
    select
        condition_no,
        band_state,
        sum(seconds) as seconds,
        sum(case when band_state <> 'excluded' then readings else 0 end) as readings,
        sum(case when band_state <> 'excluded' and spo2_percent < 90 then readings else 0 end) as under_90,
        sum(case when band_state <> 'excluded' and spo2_percent = 100 then readings else 0 end) as at_100
    from spans
    group by
        condition_no,
        band_state
),

by_stay as (
    select
        conditions.stay_id,
        conditions.patient_key,
        conditions.month,
        sum(case when conditions.on_oxygen and band_state = 'below' then seconds else 0 end) as below_s,
        sum(case when conditions.on_oxygen and band_state = 'within' then seconds else 0 end) as within_s,
        sum(case when conditions.on_oxygen and band_state = 'above_on_oxygen' then seconds else 0 end) as above_s,
        sum(case when conditions.on_oxygen and band_state = 'below' then readings else 0 end) as below,
        sum(case when conditions.on_oxygen and band_state = 'within' then readings else 0 end) as within,
        sum(case when conditions.on_oxygen and band_state = 'above_on_oxygen' then readings else 0 end) as above,
        sum(case when conditions.on_oxygen then readings else 0 end) as readings_on_oxygen,
        sum(case when conditions.on_oxygen then under_90 else 0 end) as under_90_on_oxygen,
        sum(case when conditions.on_oxygen then at_100 else 0 end) as at_100_on_oxygen,
        sum(case when not conditions.on_oxygen then readings else 0 end) as readings_on_air,
        sum(case when not conditions.on_oxygen then under_90 else 0 end) as under_90_on_air
    from added_up
    join conditions
        on conditions.condition_no = added_up.condition_no
    group by
        conditions.stay_id,
        conditions.patient_key,
        conditions.month
),

-- Readings of the first 24 hours after admission, in the month of the first of them.
first_days as (
    select
        conditions.stay_id,
        min(conditions.month) as month,
        max(case when spans.band_state = 'below' then 1 else 0 end) as below,
        max(case when spans.band_state = 'above_on_oxygen' then 1 else 0 end) as above,
        max(case when spans.band_state <> 'within' then 1 else 0 end) as outside
    from spans
    join conditions
        on conditions.condition_no = spans.condition_no
    join stays
        on stays.stay_id = conditions.stay_id
    where
        spans.readings > 0
        and conditions.on_oxygen
        and spans.band_state in ('below', 'within', 'above_on_oxygen')
        and spans.started_at < stays.admitted_at + interval '24' hour
    group by conditions.stay_id
)

select
    by_stay.stay_id,
    by_stay.patient_key,
    by_stay.month,
    by_stay.below_s,
    by_stay.within_s,
    by_stay.above_s,
    by_stay.below,
    by_stay.within,
    by_stay.above,
    by_stay.readings_on_oxygen,
    by_stay.under_90_on_oxygen,
    by_stay.at_100_on_oxygen,
    by_stay.readings_on_air,
    by_stay.under_90_on_air,
    first_days.below as first_day_below,
    first_days.above as first_day_above,
    first_days.outside as first_day_outside
from by_stay
left join first_days
    on first_days.stay_id = by_stay.stay_id and first_days.month = by_stay.month
order by
    by_stay.stay_id,
    by_stay.month;
