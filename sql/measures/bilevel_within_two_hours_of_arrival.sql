/*
title = "Bilevel ventilation within two hours of arrival"
question = """
    Of those who arrived with acidosis and CO2 retention, how many were on bilevel ventilation within two hours of
    arrival?
"""
kind = "share"
unit = "%"
of = "events"
needs = ["devices", "gases"]
better = "higher"
numerator = """
    Stays on bilevel or invasive ventilation within the time allowed (see the thresholds) of the start of
    the stay.
"""
denominator = """
    Stays whose first gas with acidosis and a pCO2 that calls for ventilation to be considered (see the
    thresholds) was taken within that time; in the ward and month of their start.
"""
excludes = """
    Gases taken under an exclusion flag, in which the clock does not run either. Stays of which it cannot be told,
    because a later gas free of acidosis came, or the stay ended, before the time was up.
"""
standard = "Within 120 minutes of arrival."
source = """
    British Thoracic Society, quality standards for acute non-invasive ventilation in adults (2018). Criteria:
    Davidson et al., BTS/ICS guideline for acute hypercapnic respiratory failure, Thorax 2016;71(Suppl
    2):ii1-ii35. That the first such gas is enough, and that arrival is the start of the stay, are choices of this
    audit.
"""
caution = """
    The clock is from arrival as charted: a stay that starts on the ward after hours elsewhere begins too late.
    A gas shortly before the time is up leaves hardly any time to act.
    One gas does not show that acidosis persisted under treatment, so some of these patients recovered without
    ventilation: read it beside the figure from the defining gas.
"""
version = 1
changes = []
order = 235
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
    step = 'bilevel_after_arrival'
    and in_time is not null
group by
    stay_id,
    ward,
    month;
