/*
title = "Minutes from persistent acidosis to bilevel ventilation"
question = "How long after the gas that showed acidosis to persist did bilevel ventilation start?"
kind = "median"
unit = "minutes"
needs = ["devices", "gases"]
better = "lower"
numerator = """
    Minutes from the defining gas until bilevel or invasive ventilation; 0 where it was on already. Where it did
    not start: minutes until the end of the stay, or until a gas within the hour was free of acidosis, marked as
    not yet come.
"""
denominator = """
    Stays with acidosis and a pCO2 that calls for ventilation to be considered, both still there on a gas taken
    after the time given to best treatment (see the thresholds for all three), none between being free of it; in
    the ward and month of that later gas.
"""
excludes = "Gases taken under an exclusion flag, in which the clock does not run either."
standard = "60 minutes at the most from the blood gas that defines the need."
source = """
    British Thoracic Society, quality standards for acute non-invasive ventilation in adults (2018). Criteria:
    Davidson et al., BTS/ICS guideline for acute hypercapnic respiratory failure, Thorax 2016;71(Suppl
    2):ii1-ii35; persistence after an hour of treatment: BTS guideline 2008.
"""
caution = """
    The clock is from the defining gas, not from arrival or the decision. Where many were never ventilated, their
    minutes are only a lower limit, and the median may not be reached. Ventilation may not have been right for
    everybody.
"""
version = 1
changes = []
order = 240
part = "pathway"
*/
-- One row per stay with persistent acidosis. value: minutes; censored: not ventilated before the wait ended.
select
    stay_id,
    ward,
    month,
    minutes as value,
    not done as censored
from pathway_steps
where step = 'bilevel_after_gas'
order by
    stay_id,
    started_at;
