/*
title = "Hours from known CO2 retention to a target of up to 92 %"
question = """
    How long after CO2 retention was first known in the stay did it take until a target of up to 92 % was in
    force?
"""
kind = "median"
unit = "hours"
needs = ["gases"]
better = "lower"
numerator = """
    Hours from the first retaining gas, or previous retention recorded, in the stay until a target of up to 92 %
    is in force; 0 where one was already. Where none came: hours until the end of the stay, marked as not yet
    come.
"""
denominator = """
    Stays with a retaining arterial or capillary gas, or previous retention recorded; in the ward and month in
    which it was first known.
"""
excludes = """
    Time under an exclusion flag: the clock neither starts nor runs in it. Patients whose only evidence is the
    target itself.
"""
standard = "No published time. 88-92 % is asked for at once in patients at risk of CO2 retention."
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4.
    NICE quality standard QS10, statement 6 (2016). The clock is a choice of this audit.
"""
caution = """
    The clock starts at admission where earlier retention was recorded, else with the first retaining gas.
    Guidelines differ on whether a patient whose pCO2 is normal again may have a higher target, and previous
    retention is often reversible: a long time is a question to ask, not a fault found. Where many stays end
    without such a target, their hours are only a lower limit.
"""
version = 1
changes = []
order = 215
part = "pathway"
*/
-- One row per stay with known CO2 retention. value: hours; censored: the stay ended without such a target.
select
    stay_id,
    ward,
    month,
    minutes / 60.0 as value,
    not done as censored
from pathway_steps
where step = 'suited_target'
order by
    stay_id,
    started_at;
