/*
title = "Minutes from the first retaining gas to controlled oxygen"
question = "How long after a gas first showed CO2 retention did oxygen go on uncontrolled?"
kind = "median"
unit = "minutes"
needs = ["devices", "gases"]
better = "lower"
numerator = """
    Minutes from the first retaining gas in the stay until oxygen is controlled (air-entrainment mask, nasal
    cannula, or a device with its fraction recorded, at an estimated fraction that is not high: see the
    thresholds), ended, or replaced by bilevel or invasive ventilation; 0 where it was so already. Where none of
    these came: minutes until the end of the stay, marked as not yet come.
"""
denominator = """
    Stays on oxygen at their first retaining arterial or capillary gas; in the ward and month of that gas.
"""
excludes = """
    Time under an exclusion flag: the clock neither starts nor runs in it. Stays on air then, or of which it
    cannot be told whether oxygen was controlled.
"""
standard = """
    No published time. 24 % or 28 % by air-entrainment mask, or 1-2 L/min by nasal cannula, is the first choice in
    patients at risk of CO2 retention.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4.
    The clock is a choice of this audit.
"""
caution = """
    The clock starts with the gas, not with when its result was seen. A patient who cannot reach the band on
    controlled oxygen rightly gets more: a long time is a case to read. The fraction is an estimate. Oxygen that
    drives a nebuliser counts as not controlled.
"""
version = 1
changes = []
order = 220
part = "pathway"
*/
-- One row per stay on oxygen at its first retaining gas. value: minutes; censored: not controlled before it ended.
select
    stay_id,
    ward,
    month,
    minutes as value,
    not done as censored
from pathway_steps
where step = 'controlled_oxygen'
order by
    stay_id,
    started_at;
