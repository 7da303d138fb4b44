/*
title = "High-oxygen episodes with a blood gas in time"
question = "After how many of the high-FiO2 episodes began was a blood gas taken in time?"
kind = "share"
unit = "%"
needs = ["devices", "gases"]
of = "events"
better = "higher"
numerator = "Episodes with an arterial or capillary gas after their start, within the time set (see the thresholds)."
denominator = "High-FiO2 episodes in stays with evidence of CO2 retention that started in the month."
excludes = "Time under an exclusion flag, and stays without evidence of CO2 retention."
standard = """
    100 %: blood gases are to be checked again 30 to 60 minutes after oxygen is started or raised in patients at risk
    of CO2 retention. The guideline names no percentage.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4.
    Counting from the start of the episode is a choice of this audit (see the thresholds).
"""
caution = """
    Not in time for whatever reason counts as not in time, also when the patient went home or the evidence of
    retention was not known yet. A venous gas does not count. Gases on an analyser that does not reach the extract
    are missing here.
"""
version = 1
changes = []
order = 100
part = "episodes"
*/
-- One row per stay, ward and month in which an episode started.
-- An episode starts where the inspired fraction changes, so a row of the timeline starts there.
with starts as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        high_fio2_episodes.repeat_gas_in_time
    from high_fio2_episodes
    join timeline
        on timeline.stay_id = high_fio2_episodes.stay_id
        and timeline.started_at = high_fio2_episodes.started_at
)
select
    stay_id,
    ward,
    month,
    sum(case when repeat_gas_in_time then 1 else 0 end) as numerator,
    count(*) as denominator
from starts
group by
    stay_id,
    ward,
    month;
