/*
title = "Saturation scores as the chart gives them"
question = "How many of the charted saturation scores are those that the published chart gives for the reading?"
kind = "share"
unit = "%"
of = "readings"
needs = ["devices"]
better = "higher"
numerator = "Readings whose charted saturation score is the one that the published chart gives on the charted scale."
denominator = "Readings with a charted saturation score and scale, of which the score can be recomputed."
excludes = """
    Readings under an exclusion flag, and on scale 2 from 93 % up those for which it is not known whether oxygen was
    given.
"""
standard = "100 %: the chart leaves no choice."
source = "Royal College of Physicians, National Early Warning Score (NEWS) 2 (2017), chart 1."
caution = """
    No clock. It says whether the score was worked out rightly, not whether the scale was the right one. The chart is
    in whole per cent: fractions are taken to the nearest, halves up. On scale 2 the score turns on whether the
    patient was on oxygen, as the device record in force says: a device charted late makes a right score look wrong.
"""
version = 1
changes = []
order = 270
part = "pathway"
*/
-- One row per stay, ward and month with any score that can be recomputed.
with recomputed as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        readings.spo2_score,
        case
            when readings.ews_scale = 1 then
                case
                    when readings.spo2_percent < 91.5 then 3
                    when readings.spo2_percent < 93.5 then 2
                    when readings.spo2_percent < 95.5 then 1
                    else 0
                end
            when readings.ews_scale = 2 then
                case
                    when readings.spo2_percent < 83.5 then 3
                    when readings.spo2_percent < 85.5 then 2
                    when readings.spo2_percent < 87.5 then 1
                    when readings.spo2_percent < 92.5 then 0
                    when not timeline.on_oxygen then 0
                    when timeline.on_oxygen and readings.spo2_percent < 94.5 then 1
                    when timeline.on_oxygen and readings.spo2_percent < 96.5 then 2
                    when timeline.on_oxygen then 3
                end
        end as expected_score
    from readings
    join stays
        on stays.stay_no = readings.stay_no
    join timeline
        on timeline.stay_id = stays.stay_id
        and timeline.started_at = readings.taken_at
    where
        readings.spo2_score is not null
        and readings.ews_scale is not null
        and timeline.excluded is null
)
select
    stay_id,
    ward,
    month,
    sum(case when spo2_score = expected_score then 1 else 0 end) as numerator,
    count(*) as denominator
from recomputed
where expected_score is not null
group by
    stay_id,
    ward,
    month;
