/*
title = "Time on oxygen under a target of up to 92 % once CO2 retention was known"
question = """
    For how much of their time on oxygen under a target did patients with known CO2 retention have one of up to 92 %?
"""
kind = "share"
unit = "%"
needs = ["devices"]
better = "neither"
numerator = "Seconds of the denominator with an upper limit of up to 92 % in force."
denominator = """
    Seconds on oxygen under a prescribed target, from the first evidence of CO2 retention on: a retaining gas in this
    stay, or previous retention recorded.
"""
excludes = """
    Time before the evidence, time without a target, time under an exclusion flag, and patients whose only evidence is
    the 88-92 % target itself.
"""
standard = """
    No published share: guidelines differ. The British guideline gives 88-92 % to patients at risk, and lets a patient
    with a normal pCO2 move to 94-98 % (unless ventilated before); NICE and a British cohort of 2021 keep 88-92 % in
    every exacerbation of COPD.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4. NICE
    quality standard QS10, statement 6 (2016). Echevarria et al., Emerg Med J 2021;38:170.
"""
caution = """
    It shows what was prescribed, not whether that was right for one patient: previous retention is often reversible,
    and everything else in this report is judged against the band prescribed. No clock: every second counts alike. A
    higher target may have been chosen with care.
"""
version = 1
changes = []
order = 210
part = "pathway"
*/
-- One row per stay, ward and month with any time on oxygen under a target after the evidence.
select
    stay_id,
    ward,
    month,
    sum(case when upper_percent <= 92 then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where
    on_oxygen
    and excluded is null
    and lower_percent is not null
    and retainer in ('gas', 'history')
group by
    stay_id,
    ward,
    month;
