/*
title = "Patients on oxygen with a prescribed target"
question = "How many of the patients given oxygen had a target saturation prescribed at any time while on it?"
kind = "share"
unit = "%"
of = "events"
needs = ["devices"]
better = "higher"
numerator = "Stays with a target in force at any time while on oxygen."
denominator = "Stays in which oxygen was given; each counts once, in the ward and month of the first time on oxygen."
excludes = "Time under an exclusion flag, and time for which no device is known."
standard = """
    100 %: a target range is to be prescribed for every patient on admission. For orientation only: over 4 in 10
    patients on oxygen had no prescription in the British national audit of 2015.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90. British Thoracic
    Society, national emergency oxygen audit 2015 (press text, April 2016).
"""
caution = """
    No clock: one minute under a target is enough. Beside it stand the share in time and the share of the time on
    oxygen without one. The national audit looks at one day, this figure at whole stays. A target written on paper shows
    as none. Oxygen that drives a nebuliser counts as oxygen.
"""
version = 1
changes = []
order = 200
part = "pathway"
*/
-- One row per stay in which oxygen was given.
with on_oxygen_time as (
    select
        stay_id,
        ward,
        month,
        started_at,
        case when lower_percent is not null then 1 else 0 end as has_target
    from timeline
    where
        on_oxygen
        and excluded is null
),
by_stay as (
    select
        stay_id,
        min(started_at) as oxygen_at,
        max(has_target) as ever_a_target
    from on_oxygen_time
    group by stay_id
)
select
    by_stay.stay_id,
    on_oxygen_time.ward,
    on_oxygen_time.month,
    by_stay.ever_a_target as numerator,
    1 as denominator
from by_stay
join on_oxygen_time
    on on_oxygen_time.stay_id = by_stay.stay_id
    and on_oxygen_time.started_at = by_stay.oxygen_at;
