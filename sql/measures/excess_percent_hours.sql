/*
title = "Dose above the band on oxygen"
question = "How far above the band for how long were patients with any time above it on oxygen?"
kind = "median"
unit = "percent-hours"
needs = ["devices"]
better = "lower"
numerator = "Points above the upper limit in force x hours, on oxygen, added up over the stay."
denominator = """
    Stays with any time above the band on oxygen; each counts once, in the ward and month in which it first began.
"""
excludes = """
    Stays without such time, time above the band on air or with an unknown device, and time under an exclusion flag.
"""
standard = "None published: oxygen is to be lowered when the saturation is above the band."
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, section 11 (lower
    oxygen when the saturation is above the band). Points x hours as a dose is a choice of this audit; national audits
    count steps of 1, 2 and more than 2 points.
"""
caution = """
    One hour 6 points above and six hours 1 point above are the same here, and need not be the same for a patient. An
    oximeter is not exact to 1 or 2 points, and none shows more than 100 %: above 94-98 % there are 2 points to be had,
    above 88-92 % there are 8, so compare patients with the same band. In lung disease (COPD) published cohorts
    disagree about what a saturation above 92 % on oxygen means: more deaths at 93-96 and 97-100 % than at 88-92 %
    (Echevarria, Emerg Med J 2021;38:170), no difference in days alive out of hospital (a Danish cohort of 2022, 289
    patients).
"""
version = 1
changes = []
order = 342
part = "excess"
*/
-- One row per stay with any such time, in the ward and month in which it began.
with first_runs as (
    select
        stay_id,
        min(started_at) as started_at
    from excess_runs
    group by stay_id
),
-- Rounded, so that sums are the same in any order.
doses as (
    select
        stay_id,
        round(sum(percent_hours), 6) as dose
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
