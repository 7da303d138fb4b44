/*
title = "Minutes from the start of a high-oxygen episode to the next blood gas"
question = "How long after a high-FiO2 episode began was the next blood gas taken?"
kind = "median"
unit = "minutes"
needs = ["devices", "gases"]
better = "lower"
numerator = """
    Minutes from the start of the episode to the first arterial or capillary gas after it. Where none came: minutes
    until the end of the stay, marked as not yet come.
"""
denominator = "High-FiO2 episodes in stays with evidence of CO2 retention; each in the ward and month of its start."
excludes = "Time under an exclusion flag begins no episode, but the clock runs on in it."
standard = """
    60 minutes at the most: blood gases are to be checked again 30 to 60 minutes after oxygen is started or raised in
    patients at risk of CO2 retention.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4.
    Counting from the start of the episode is a choice of this audit.
"""
caution = """
    Where many episodes have no later gas, their minutes are only a lower limit, and a short stay makes them short.
    A gas days later still counts as the next one. A venous gas does not count.
"""
version = 1
changes = []
order = 110
part = "episodes"
*/
-- One row per episode. value: minutes; censored: no gas before the stay ended.
with starts as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        high_fio2_episodes.started_at,
        high_fio2_episodes.gas_after_minutes
    from high_fio2_episodes
    join timeline
        on timeline.stay_id = high_fio2_episodes.stay_id
        and timeline.started_at = high_fio2_episodes.started_at
),
-- An episode starts where the inspired fraction changes, so a row of the timeline starts there too.
to_the_end as (
    select
        starts.stay_id,
        starts.started_at,
        sum(timeline.seconds) / 60.0 as minutes_to_end
    from starts
    join timeline
        on timeline.stay_id = starts.stay_id
        and starts.started_at <= timeline.started_at
    where starts.gas_after_minutes is null
    group by
        starts.stay_id,
        starts.started_at
)
select
    starts.stay_id,
    starts.ward,
    starts.month,
    coalesce(starts.gas_after_minutes, to_the_end.minutes_to_end) as value,
    starts.gas_after_minutes is null as censored
from starts
left join to_the_end
    on to_the_end.stay_id = starts.stay_id
    and to_the_end.started_at = starts.started_at;
