/*
title = "Bilevel ventilation within an hour of the gas"
question = """
    Of those whose acidosis with CO2 retention persisted, how many were on bilevel ventilation within an hour of
    the gas that showed it?
"""
kind = "share"
unit = "%"
of = "events"
needs = ["devices", "gases"]
better = "higher"
numerator = """
    Stays on bilevel or invasive ventilation within the time allowed (see the thresholds) of the defining gas, or
    already on it.
"""
denominator = """
    Stays with acidosis and a pCO2 that calls for ventilation to be considered, both still there on a gas taken
    after the time given to best treatment (see the thresholds for all three), none between being free of it; in
    the ward and month of that later gas.
"""
excludes = """
    Gases taken under an exclusion flag, in which the clock does not run either. Stays of which it cannot be told,
    because a gas free of acidosis came, or the stay ended, before the time was up.
"""
standard = """
    Within 60 minutes of the blood gas that defines the need. For orientation only: 50 % of 3,502 in the British
    national audit of 2019.
"""
source = """
    British Thoracic Society, quality standards for acute non-invasive ventilation in adults (2018); national
    audit 2019 (2020). Criteria: Davidson et al., BTS/ICS guideline for acute hypercapnic respiratory failure,
    Thorax 2016;71(Suppl 2):ii1-ii35; persistence after an hour of treatment: BTS guideline 2008.
"""
caution = """
    The clock is from the defining gas; arrival is judged in a figure of its own, and some audits count from the
    decision, which is not charted here. Who was ventilated early and recovered is not among them. The gas that
    still shows acidosis may come many hours after the first; what lay between is not known. Only the first such
    time in a stay counts. Ventilation may have been offered and declined, or not have been right: a miss is a
    case to read.
"""
version = 1
changes = []
order = 230
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
    step = 'bilevel_after_gas'
    and in_time is not null
group by
    stay_id,
    ward,
    month;
