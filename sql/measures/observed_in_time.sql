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
with numbered as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        timeline.started_at,
        timeline.seconds,
        timeline.on_oxygen,
        timeline.excluded,
        timeline.spo2_percent,
        timeline.upper_percent,
        timeline.readings,
        timeline.last_reading_s,
        sum(case when timeline.readings > 0 then 1 else 0 end)
            over (partition by timeline.stay_id order by timeline.started_at) as reading_no
    from timeline
),
lengths as (
    select
        stay_id,
        reading_no,
        sum(case when excluded is null then seconds - last_reading_s else 0 end) as audited_s
    from numbered
    group by
        stay_id,
        reading_no
),
counts as (
    select
        stay_id,
        max(reading_no) as last_no
    from numbered
    group by stay_id
),
-- A reading on air, with what was charted beside it; scale 2 scores nothing from 88 % up on air.
on_air_at_0 as (
    select
        numbered.stay_id,
        numbered.reading_no
    from numbered
    join stays
        on stays.stay_id = numbered.stay_id
    join readings
        on readings.stay_no = stays.stay_no
        and readings.taken_at = numbered.started_at
    where
        numbered.readings > 0
        and numbered.excluded is null
        and not numbered.on_oxygen
        and (readings.respiratory_rate is null
            or readings.respiratory_rate >= 11.5 and readings.respiratory_rate < 20.5)
        and case
            when readings.spo2_score is not null then readings.spo2_score = 0
            when readings.ews_scale = 2 then numbered.spo2_percent >= 87.5
            when readings.ews_scale = 1 then numbered.spo2_percent >= 95.5
            when numbered.upper_percent <= 92 then numbered.spo2_percent >= 87.5
            else numbered.spo2_percent >= 95.5
        end
),
judged as (
    select
        numbered.stay_id,
        numbered.ward,
        numbered.month,
        numbered.reading_no,
        numbered.readings,
        lengths.audited_s,
        3600.0 * (
            select policy_values.value
            from policy_values
            where
                policy_values.name = case
                    when numbered.on_oxygen then 'observation_hours_at_score_1_to_4'
                    else 'observation_hours_at_score_0'
                end
        ) as allowed_s
    from numbered
    join lengths
        on lengths.stay_id = numbered.stay_id
        and lengths.reading_no = numbered.reading_no
    left join on_air_at_0
        on on_air_at_0.stay_id = numbered.stay_id
        and on_air_at_0.reading_no = numbered.reading_no
    where
        numbered.readings > 0
        and numbered.excluded is null
        and (numbered.on_oxygen or on_air_at_0.reading_no is not null)
)
select
    judged.stay_id,
    judged.ward,
    judged.month,
    sum(
        judged.readings - 1
        + case when judged.reading_no < counts.last_no and judged.audited_s <= judged.allowed_s then 1 else 0 end
    ) as numerator,
    sum(
        judged.readings - 1
        + case when judged.reading_no < counts.last_no or judged.audited_s > judged.allowed_s then 1 else 0 end
    ) as denominator
from judged
join counts
    on counts.stay_id = judged.stay_id
where
    judged.readings > 1
    or judged.reading_no < counts.last_no
    or judged.audited_s > judged.allowed_s
group by
    judged.stay_id,
    judged.ward,
    judged.month;
