/*
title = "High-oxygen episodes in patients with evidence of CO2 retention"
question = "How often did patients with evidence of CO2 retention get a high inspired oxygen fraction for a while?"
kind = "rate"
unit = "episodes per 100 patient-days"
needs = ["devices"]
better = "lower"
numerator = "High-FiO2 episodes that started in the month."
denominator = "Patient-days (seconds / 86,400) of stays with evidence of CO2 retention at any time in the stay."
excludes = "Time under an exclusion flag, and all stays without evidence of CO2 retention."
standard = """
    None published. The British Thoracic Society starts patients at risk with 24 % or 28 % or 1 to 2 L/min by nasal
    cannula, and raises it when that does not reach the band.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4.
    The length and the joining of episodes are choices of this audit (see the thresholds).
"""
caution = """
    An episode is not a mistake: a high fraction needed to reach the band is a sick patient who may need escalation.
    The fraction is estimated from device and flow, with a wide range. Evidence found later in a stay counts for the
    whole stay, so staff may not have known yet. Evidence by an 88-92 % target alone is weak, and previous retention
    is often reversible. Time for which the fraction is unknown is in the patient-days but can hold no episode.
"""
version = 1
changes = []
order = 80
part = "episodes"
*/
-- One row per stay, ward and month with any audited time of a stay with evidence of CO2 retention.
-- An episode stands under the ward and month in which it started: a row of the timeline starts there too, since the
-- inspired fraction changes.
with parts as (
    select
        stay_id,
        ward,
        month,
        0 as episodes,
        seconds
    from timeline
    where
        retainer_ever is not null
        and band_state <> 'excluded'
    union all
    select
        timeline.stay_id,
        timeline.ward,
        timeline.month,
        1 as episodes,
        0 as seconds
    from high_fio2_episodes
    join timeline
        on timeline.stay_id = high_fio2_episodes.stay_id
        and timeline.started_at = high_fio2_episodes.started_at
)
select
    stay_id,
    ward,
    month,
    sum(episodes) as numerator,
    sum(seconds) / 86400.0 as denominator
from parts
group by
    stay_id,
    ward,
    month;
