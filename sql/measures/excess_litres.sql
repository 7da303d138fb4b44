/*
title = "Oxygen used while above the band"
question = "How many litres of oxygen flowed while the saturation was above the band?"
kind = "median"
unit = "litres"
needs = ["devices"]
better = "lower"
numerator = """
    Litres of oxygen that flowed while the saturation was above the upper limit in force: flow x time, added up over
    the stay.
"""
denominator = """
    Stays with any time above the band on oxygen and a known flow; each counts once, in the ward and month in which the
    first such time began.
"""
excludes = """
    Time for which the flow is not known counts nothing, so the litres are a least figure. Stays in which no flow is
    known, and time under an exclusion flag.
"""
standard = "None published: oxygen is to be lowered when the saturation is above the band."
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, section 11 (lower
    oxygen when the saturation is above the band). The litres are flow x time; on high-flow nasal oxygen the oxygen
    part of the mixed gas.
"""
caution = """
    Not all of it was waste: with less oxygen in the band some would have flowed all the same. Flows are as charted at
    the device; leaks and flows turned up in between are not seen. Ventilators seldom have a charted flow.
"""
version = 1
changes = []
order = 344
part = "excess"
*/
-- One row per stay with any such time and a known flow, in the ward and month in which it began.
with first_runs as (
    select
        stay_id,
        min(started_at) as started_at
    from excess_runs
    where litres is not null
    group by stay_id
),
-- Rounded, so that sums are the same in any order.
doses as (
    select
        stay_id,
        round(sum(litres), 6) as dose
    from excess_runs
    group by stay_id
)
select
    excess_runs.stay_id,
    excess_runs.ward,
    excess_runs.month,
    doses.dose as value
from excess_runs
join first_runs
    on first_runs.stay_id = excess_runs.stay_id
    and first_runs.started_at = excess_runs.started_at
join doses
    on doses.stay_id = excess_runs.stay_id;
