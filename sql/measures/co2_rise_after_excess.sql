/*
title = "CO2 higher after time above the band on oxygen"
question = "How often was time above the band on oxygen followed by a higher pCO2?"
kind = "share"
unit = "%"
needs = ["devices", "gases"]
of = "events"
better = "lower"
numerator = """
    Runs above the band on oxygen after whose start pCO2 was higher than before, by at least what counts as a
    rise (see the thresholds).
"""
denominator = """
    Runs above the band on oxygen with an arterial or capillary gas before the start and another one after it, while
    the run lasted or after its end.
"""
excludes = """
    Runs without such gases close enough in time (see the thresholds), and time under an exclusion flag.
"""
standard = "None published."
source = """
    How large a rise has to be: Wijesinghe et al., J R Soc Med 2012 (4 mmHg or more, 0.53 kPa; they measured through
    the skin). Comparing the gases around a run is a choice of this audit.
"""
caution = """
    Followed by, never caused by: the sickest get the most oxygen and the most gases, and their pCO2 may rise whatever
    is done. Gases are taken where somebody worries, so these few runs do not speak for the rest. In lung disease
    (COPD) published cohorts disagree about what a saturation above 92 % on oxygen means: more deaths at 93-96 and
    97-100 % than at 88-92 % (Echevarria, Emerg Med J 2021;38:170), no difference in days alive out of hospital (a
    Danish cohort of 2022, 289 patients). Stable patients on 50 % oxygen rose by 1.3 mmHg only, and 40 % of those with
    a high pCO2 on admission left with a normal one (Eur Respir J 1993;6:1353). The clock is when a gas was taken, not
    when it was seen.
"""
version = 1
changes = []
order = 350
part = "excess"
*/
-- One row per stay, ward and month in which a run between two gases began.
select
    excess_runs.stay_id,
    excess_runs.ward,
    excess_runs.month,
    sum(case when excess_runs.pco2_change_kpa >= policy_values.value then 1 else 0 end) as numerator,
    count(*) as denominator
from excess_runs
join policy_values on policy_values.name = 'pco2_rise_from_kpa'
where excess_runs.pco2_change_kpa is not null
group by
    excess_runs.stay_id,
    excess_runs.ward,
    excess_runs.month;
