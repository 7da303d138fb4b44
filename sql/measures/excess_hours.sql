/*
title = "Hours above the band on oxygen"
question = "How long in all were patients with any time above the band on oxygen kept there?"
kind = "median"
unit = "hours"
needs = ["devices"]
better = "lower"
numerator = "Hours of the stay with a saturation above the upper limit in force, on oxygen."
denominator = "Stays with any such time; each counts once, in the ward and month in which it first began."
excludes = """
    Stays without such time, time above the band on air or with an unknown device, and time under an exclusion flag.
"""
standard = "None published: oxygen is to be lowered when the saturation is above the band."
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, section 11 (lower
    oxygen when the saturation is above the band). Adding up the hours of a stay is a choice of this audit.
"""
caution = """
    A dose, not a harm: it does not say that anybody was hurt by it. A reading speaks until the next one, so sparse
    charting makes long hours. Hours in another ward count where the first ones were. In lung disease (COPD) published
    cohorts disagree about what a saturation above 92 % on oxygen means: more deaths at 93-96 and 97-100 % than at
    88-92 % (Echevarria, Emerg Med J 2021;38:170), no difference in days alive out of hospital (a Danish cohort of
    2022, 289 patients). The sickest get the most oxygen.
"""
version = 1
changes = []
order = 340
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
doses as (
    select
        stay_id,
        sum(above_s) / 3600.0 as dose
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
