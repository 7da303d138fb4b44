/*
title = "Early-warning scale that fits the target"
question = "How many of the scored readings were scored on the saturation scale that fits the target in force?"
kind = "share"
unit = "%"
of = "readings"
better = "higher"
numerator = "Readings scored on scale 2 under a target of up to 92 %, or on scale 1 under a higher one."
denominator = "Readings with a charted saturation scale, taken under a prescribed target."
excludes = "Readings without a target or a charted scale, or under an exclusion flag."
standard = """
    100 %: scale 2 is for patients with 88-92 % prescribed by a competent clinician after confirmed CO2 retention,
    scale 1 for everybody else.
"""
source = "Royal College of Physicians, National Early Warning Score (NEWS) 2 (2017); implementation note (2020)."
caution = """
    No clock: each reading is held against the target in force when it was taken. A mismatch says that scale and
    target differ, not which of them is right: under 88-92 % without confirmed retention, scale 1 may be meant. On
    scale 1 a patient inside 88-92 % scores up to 3 and may be given oxygen for it; on scale 2 a low saturation of
    anybody else scores too little.
"""
version = 1
changes = []
order = 265
part = "pathway"
*/
-- One row per stay, ward and month with any scored reading under a target.
select
    timeline.stay_id,
    timeline.ward,
    timeline.month,
    sum(
        case
            when readings.ews_scale = case when timeline.upper_percent <= 92 then 2 else 1 end then 1
            else 0
        end
    ) as numerator,
    count(*) as denominator
from readings
join stays
    on stays.stay_no = readings.stay_no
join timeline
    on timeline.stay_id = stays.stay_id
    and timeline.started_at = readings.taken_at
where
    readings.ews_scale is not null
    and timeline.excluded is null
    and timeline.upper_percent is not null
group by
    timeline.stay_id,
    timeline.ward,
    timeline.month;
