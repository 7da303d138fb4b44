-- One row per stay, month and ward with any reading under a target: readings by their distance from the band.
with judged as (
    select
        conditions.stay_id,
        conditions.month,
        conditions.ward,
        spans.readings,
        case when spans.band_state = 'below' then conditions.lower_percent - spans.spo2_percent end as below,
        case
            when spans.band_state = 'above_on_oxygen' then spans.spo2_percent - conditions.upper_percent
        end as above_on_oxygen
    from spans
    join conditions
        on conditions.condition_no = spans.condition_no
    where
        spans.readings > 0
        and spans.band_state not in ('no_target', 'excluded')
)

select
    stay_id,
    month,
    ward,
    sum(readings) as readings,
    sum(case when below <= 1 then readings else 0 end) as below_by_1,
    sum(case when below > 1 and below <= 2 then readings else 0 end) as below_by_2,
    sum(case when below > 2 then readings else 0 end) as below_by_more,
    sum(case when above_on_oxygen <= 1 then readings else 0 end) as above_on_oxygen_by_1,
    sum(case when above_on_oxygen > 1 and above_on_oxygen <= 2 then readings else 0 end) as above_on_oxygen_by_2,
    sum(case when above_on_oxygen > 2 then readings else 0 end) as above_on_oxygen_by_more
from judged
group by
    stay_id,
    month,
    ward
order by
    stay_id,
    month,
    ward;
