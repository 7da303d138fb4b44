/*
title = "High-oxygen episodes followed by respiratory acidosis"
question = "In how many of the high-FiO2 episodes with a later blood gas did that gas show respiratory acidosis?"
kind = "share"
unit = "%"
needs = ["devices", "gases"]
of = "events"
better = "lower"
numerator = "Episodes whose next arterial or capillary gas has a low pH and a high pCO2 (see the thresholds)."
denominator = "High-FiO2 episodes with a later arterial or capillary gas from which acidosis can be told."
excludes = "Episodes without a later gas or without its pH, and time under an exclusion flag."
standard = "None published."
source = """
    British Thoracic Society and Intensive Care Society, guideline for the ventilatory management of acute
    hypercapnic respiratory failure in adults, Thorax 2016;71(Suppl 2):ii1-ii35 (acidosis: pH below 7.35 with a high
    pCO2; its own pCO2 limit for ventilation is 6.5 kPa), with the clarification that CO2 retention begins at 6 kPa,
    Thorax 2017;72:588. Looking at the first gas after the start of the episode is a choice of this audit.
"""
caution = """
    Followed by, never caused by: the sickest patients get the most oxygen and the most gases, and many were acidotic
    before (see the gas before in the list of episodes). Episodes without a later gas are left out, so more gases may
    raise or lower this share without any change in care.
"""
version = 1
changes = []
order = 120
part = "episodes"
*/
-- One row per stay, ward and month in which an episode started whose next gas can be judged.
-- An episode starts where the inspired fraction changes, so a row of the timeline starts there.
with starts as (
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        high_fio2_episodes.acidosis_after
    from high_fio2_episodes
    join timeline
        on timeline.stay_id = high_fio2_episodes.stay_id
        and timeline.started_at = high_fio2_episodes.started_at
    where high_fio2_episodes.acidosis_after is not null
)
select
    stay_id,
    ward,
    month,
    sum(case when acidosis_after then 1 else 0 end) as numerator,
    count(*) as denominator
from starts
group by
    stay_id,
    ward,
    month;
