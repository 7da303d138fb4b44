/*
title = "Respiratory acidosis after time above the band on oxygen"
question = "How often was time above the band on oxygen followed by respiratory acidosis in the next blood gas?"
kind = "share"
unit = "%"
needs = ["devices", "gases"]
of = "events"
better = "lower"
numerator = """
    Runs above the band on oxygen whose next arterial or capillary gas has a low pH and a high pCO2 (see the
    thresholds).
"""
denominator = """
    Runs above the band on oxygen with an arterial or capillary gas after their start from which acidosis can be told,
    while they lasted or after their end.
"""
excludes = """
    Runs without such a gas close enough in time (see the thresholds), and time under an exclusion flag.
"""
standard = "None published."
source = """
    British Thoracic Society and Intensive Care Society, guideline for the ventilatory management of acute hypercapnic
    respiratory failure in adults, Thorax 2016;71(Suppl 2):ii1-ii35. Looking at the first gas after the start of a run
    is a choice of this audit.
"""
caution = """
    Followed by, never caused by: the sickest get the most oxygen and the most gases, and their pCO2 may rise whatever
    is done. Gases are taken where somebody worries, so these few runs do not speak for the rest. In lung disease
    (COPD) published cohorts disagree about what a saturation above 92 % on oxygen means: more deaths at 93-96 and
    97-100 % than at 88-92 % (Echevarria, Emerg Med J 2021;38:170), no difference in days alive out of hospital (a
    Danish cohort of 2022, 289 patients). Stable patients on 50 % oxygen rose by 1.3 mmHg only, and 40 % of those with
    a high pCO2 on admission left with a normal one (Eur Respir J 1993;6:1353). Many were acidotic before: see the gas
    before in the list of runs. The clock is when a gas was taken.
"""
version = 1
changes = []
order = 352
part = "excess"
*/
-- One row per stay, ward and month in which a run began whose next gas can be judged.
select
    excess_runs.stay_id,
    excess_runs.ward,
    excess_runs.month,
    sum(case when excess_runs.acidosis_after then 1 else 0 end) as numerator,
    count(*) as denominator
from excess_runs
where excess_runs.acidosis_after is not null
group by
    excess_runs.stay_id,
    excess_runs.ward,
    excess_runs.month;
