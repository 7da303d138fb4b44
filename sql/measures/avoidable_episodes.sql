/*
title = "High-oxygen episodes with a saturation above the band"
question = "In how many of the high-FiO2 episodes was the saturation above the band, so less oxygen might have done?"
kind = "share"
unit = "%"
needs = ["devices"]
of = "events"
better = "lower"
numerator = "Episodes with any reading above the upper limit in force while they lasted."
denominator = "High-FiO2 episodes in stays with evidence of CO2 retention that started in the month."
excludes = "Time under an exclusion flag, and stays without evidence of CO2 retention."
standard = "0 %: in patients at risk of CO2 retention, oxygen is to be lowered when the saturation is above the band."
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90. Taking any reading
    above the band as the sign of an avoidable episode is a choice of this audit.
"""
caution = """
    Says that oxygen might have been lowered, not that anybody erred: a clinician has to read the case. Episodes
    without any reading under a target stay in the denominator, since nobody can tell. The rest is no all-clear:
    a high fraction needed to reach the band may call for escalation.
"""
version = 1
changes = []
order = 90
part = "episodes"
*/
-- One row per stay, ward and month in which an episode started.
-- An episode starts where the inspired fraction changes, so a row of the timeline starts there.
with starts as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        high_fio2_episodes.saturation_during
    from high_fio2_episodes
    join timeline
        on timeline.stay_id = high_fio2_episodes.stay_id
        and timeline.started_at = high_fio2_episodes.started_at
)
select
    stay_id,
    ward,
    month,
    sum(case when saturation_during = 'above' then 1 else 0 end) as numerator,
    count(*) as denominator
from starts
group by
    stay_id,
    ward,
    month;
