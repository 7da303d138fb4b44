/*
title = "Target prescribed within the hour"
question = "After how many first times on oxygen was a target saturation in force within an hour?"
kind = "share"
unit = "%"
of = "events"
needs = ["devices"]
better = "higher"
numerator = """
    Stays with a target in force within the time allowed (see the thresholds) of the first time on oxygen; at once
    where one was in force already.
"""
denominator = """
    Stays in which oxygen was given and the hour was up, or the target came, before the stay ended; in the ward
    and month of the first time on oxygen.
"""
excludes = """
    Time under an exclusion flag: the clock neither starts nor runs in it. Stays that ended within the hour
    without a target.
"""
standard = """
    100 % beyond emergencies: a target range is to be prescribed for every patient on admission. The guideline
    names no hour.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90. The hour, and
    counting from the first time on oxygen, are choices of this audit (see the thresholds).
"""
caution = """
    The clock starts with the first oxygen in the stay, not with admission. In an emergency oxygen is rightly
    started first. A target stopped before oxygen began does not count. The clock runs on when oxygen ends within
    the hour: a target is asked for all the same.
"""
version = 1
changes = []
order = 205
part = "pathway"
*/
-- One row per stay, ward and month with a stay of which it can be told.
select
    stay_id,
    ward,
    month,
    sum(case when in_time then 1 else 0 end) as numerator,
    count(*) as denominator
from pathway_steps
where
    step = 'target_prescribed'
    and in_time is not null
group by
    stay_id,
    ward,
    month;
