/*
title = "Hours from first oxygen to a prescribed target"
question = "How long after oxygen was first given did it take until a target saturation was prescribed?"
kind = "median"
unit = "hours"
needs = ["devices"]
better = "lower"
numerator = """
    Hours from the first time on oxygen in the stay until a target is in force; 0 where one was in force already.
    Where none came: hours until the end of the stay, marked as not yet come.
"""
denominator = "Stays in which oxygen was given; each counts once, in the ward and month of the first time on oxygen."
excludes = "Time under an exclusion flag: the clock neither starts nor runs in it."
standard = "0 hours beyond emergencies: a target range is to be prescribed for every patient on admission."
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90. Timing from the
    first time on oxygen is a choice of this audit.
"""
caution = """
    In an emergency oxygen is rightly started first and prescribed afterwards. Where many stays end without a target,
    their hours are only a lower limit. A target that was stopped before oxygen began does not count. Oxygen that
    drives a nebuliser counts as oxygen; an unknown device does not.
"""
version = 1
changes = []
order = 70
part = "pathway"
*/
-- One row per stay in which oxygen was given. value: hours; censored: the stay ended without a target.
with first_oxygen as (
    select
        stay_id,
        min(started_at) as oxygen_at
    from timeline
    where
        on_oxygen
        and excluded is null
    group by stay_id
),
first_target as (
    select
        timeline.stay_id,
        min(timeline.started_at) as target_at
    from timeline
    join first_oxygen
        on first_oxygen.stay_id = timeline.stay_id
        and first_oxygen.oxygen_at <= timeline.started_at
    where
        timeline.lower_percent is not null
        and timeline.excluded is null
    group by timeline.stay_id
),
clocks as (
    select
        first_oxygen.stay_id,
        first_oxygen.oxygen_at,
        first_target.target_at
    from first_oxygen
    left join first_target
        on first_target.stay_id = first_oxygen.stay_id
)
-- The row in which the target begins adds nothing; it is there for a stay that did not wait.
select
    clocks.stay_id,
    max(case when timeline.started_at = clocks.oxygen_at then timeline.ward end) as ward,
    max(case when timeline.started_at = clocks.oxygen_at then timeline.month end) as month,
    sum(case when timeline.started_at = clocks.target_at then 0 else timeline.seconds end) / 3600.0 as value,
    clocks.target_at is null as censored
from clocks
join timeline
    on timeline.stay_id = clocks.stay_id
    and clocks.oxygen_at <= timeline.started_at
    and (clocks.target_at is null or timeline.started_at <= clocks.target_at)
where timeline.excluded is null
group by
    clocks.stay_id,
    clocks.target_at;
