/*
title = "Observed as often as published"
question = "How many of the times between two saturation readings were no longer than the early-warning chart allows?"
kind = "share"
unit = "%"
of = "events"
needs = ["devices"]
better = "higher"
numerator = """
    Intervals no longer than allowed: on oxygen as at a score of 1 to 4, on air with a score of 0 as at
    that score (see the thresholds).
"""
denominator = """
    Intervals that begin with a reading on oxygen, or with one on air whose saturation scores 0 (as charted, else
    recomputed) and no respiratory rate charted with it scores; each in the ward and month of that reading. The last one
    of a stay counts only where it became too long.
"""
excludes = """
    Intervals that begin under an exclusion flag, whose time does not count either; on air with a score above 0 or
    with no device known, since the whole score is not.
"""
standard = """
    100 %: at least 4- to 6-hourly at a score of 1 to 4, and oxygen alone scores 2; at least 12-hourly at a score of 0.
    The longest published interval is used, 6 hours and 12 hours.
"""
source = "Royal College of Physicians, National Early Warning Score (NEWS) 2 (2017), chart 1 and chart 4."
caution = """
    The clock runs from reading to reading. Twelve-hourly readings on air at a score of 0 are no fault and count as in
    time. The whole score is not known: with other parts of it high a shorter interval would be due, so the true share
    is no higher than this one. A patient who is read often has many intervals and weighs more.
"""
version = 1
changes = []
order = 260
part = "pathway"
*/
-- One row per stay, ward and month with an interval that can be judged. Equal readings of a monitor share a row of the
-- timeline; they are a minute apart at the most, so all their intervals but the last are in time.
-- A reading is carried on by the rows without one that follow it. They are few, so only they and the rows before them
-- are put in order.
with silent as (
    select
        stay_id,
        started_at
    from timeline
    where readings = 0
),
in_order as (
    select
        timeline.stay_id,
        timeline.readings,
        case when timeline.excluded is null then timeline.seconds else 0 end as audited_s,
        max(case when timeline.readings > 0 then timeline.started_at end)
            over (partition by timeline.stay_id order by timeline.started_at) as read_at
    from timeline
    left join silent
        on silent.stay_id = timeline.stay_id
        and silent.started_at = timeline.ended_at
    where
        timeline.readings = 0
        or silent.stay_id is not null
),
carried as (
    select
        stay_id,
        read_at,
        sum(audited_s) as audited_s
    from in_order
    where readings = 0
    group by
        stay_id,
        read_at
),
last_rows as (
    select
        stay_id,
        max(started_at) as read_at
    from timeline
    where readings > 0
    group by stay_id
),
charted as (
    select
        stays.stay_id,
        readings.taken_at,
        readings.respiratory_rate,
        readings.ews_scale,
        readings.spo2_score
    from readings
    join stays
        on stays.stay_no = readings.stay_no
    where
        readings.respiratory_rate is not null
        or readings.ews_scale is not null
        or readings.spo2_score is not null
),
allowed as (
    select
        3600.0 * max(case when name = 'observation_hours_at_score_1_to_4' then value end) as on_oxygen_s,
        3600.0 * max(case when name = 'observation_hours_at_score_0' then value end) as on_air_s
    from policy_values
),
-- On oxygen, or on air at a score of nought; scale 2 scores nothing from 88 % up on air.
judged as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        timeline.readings,
        timeline.started_at < last_rows.read_at as is_followed,
        timeline.seconds - timeline.last_reading_s + coalesce(carried.audited_s, 0) as audited_s,
        case when timeline.on_oxygen then allowed.on_oxygen_s else allowed.on_air_s end as allowed_s
    from timeline
    join last_rows
        on last_rows.stay_id = timeline.stay_id
    cross join allowed
    left join carried
        on carried.stay_id = timeline.stay_id
        and carried.read_at = timeline.started_at
    left join charted
        on charted.stay_id = timeline.stay_id
        and charted.taken_at = timeline.started_at
    where
        timeline.readings > 0
        and timeline.excluded is null
        and (
            timeline.on_oxygen
            or not timeline.on_oxygen
            and (charted.respiratory_rate is null
                or charted.respiratory_rate >= 11.5 and charted.respiratory_rate < 20.5)
            and case
                when charted.spo2_score is not null then charted.spo2_score = 0
                when charted.ews_scale = 2 then timeline.spo2_percent >= 87.5
                when charted.ews_scale = 1 then timeline.spo2_percent >= 95.5
                when timeline.upper_percent <= 92 then timeline.spo2_percent >= 87.5
                else timeline.spo2_percent >= 95.5
            end
        )
)
select
    stay_id,
    ward,
    month,
    sum(readings - 1 + case when is_followed and audited_s <= allowed_s then 1 else 0 end) as numerator,
    sum(readings - 1 + case when is_followed or audited_s > allowed_s then 1 else 0 end) as denominator
from judged
where
    readings > 1
    or is_followed
    or audited_s > allowed_s
group by
    stay_id,
    ward,
    month;
