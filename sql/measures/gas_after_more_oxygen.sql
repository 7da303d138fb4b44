/*
title = "Blood gas in time after oxygen was started or raised"
question = """
    After how many starts or rises of oxygen in patients with evidence of CO2 retention was a blood gas taken in
    time?
"""
kind = "share"
unit = "%"
of = "events"
needs = ["devices", "gases"]
better = "higher"
numerator = """
    Starts and rises followed by an arterial or capillary gas within the time allowed (see the thresholds).
"""
denominator = """
    Starts and rises of oxygen (the estimated fraction goes up, both fractions known) with evidence of CO2
    retention by then; each in its ward and month.
"""
excludes = """
    Changes under an exclusion flag, in which the clock does not run either. Nebulisers. Changes of which it
    cannot be told, because oxygen was back to what it was, or the stay ended, before the time was up.
"""
standard = """
    100 %: blood gases are to be checked again 30 to 60 minutes after oxygen is started or raised in patients at
    risk. The guideline names no percentage.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4
    (gases again after 30 to 60 minutes).
"""
caution = """
    The clock starts with each change, so oxygen raised in three small steps counts three times, and one gas can
    answer all of them. Oxygen on which a patient arrives is no start. Evidence by an 88-92 % target alone is
    weak. A venous gas does not count; gases on an analyser that does not reach the extract are missing here.
"""
version = 1
changes = []
order = 225
part = "pathway"
*/
-- One row per stay, ward and month with a change of which it can be told.
select
    stay_id,
    ward,
    month,
    sum(case when in_time then 1 else 0 end) as numerator,
    count(*) as denominator
from pathway_steps
where
    step = 'gas_after_more_oxygen'
    and in_time is not null
group by
    stay_id,
    ward,
    month;
