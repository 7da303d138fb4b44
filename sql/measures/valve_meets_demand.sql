/*
title = "Air-entrainment valves with enough flow for the patient"
question = """
    For how much of the time on a valve set up as printed was its total flow enough for the patient's breathing?
"""
kind = "share"
unit = "%"
needs = ["devices"]
better = "higher"
numerator = "Seconds in which the total flow of the valve reaches the patient's likely peak flow when breathing in."
denominator = "Seconds on an air-entrainment valve set up as printed."
excludes = """
    Time on a valve that is not set up as printed or of which it cannot be told, and time under an exclusion flag.
"""
standard = """
    None published as a share. Above 30 breaths a minute the flow is to be raised, by up to half; the concentration
    stays the same.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, summary table 4; Jones
    et al., Lancet 1984;1:1427-31; Hill et al., Br Med J 1984;288:1261. The likely peak flow (2 L/min for each breath a
    minute, at least 30 L/min) is an estimate from teaching texts: see the thresholds.
"""
caution = """
    The peak flow of no patient was measured: it is worked out from the charted respiratory rate and an ordinary
    breath; deep breaths need more. Where no rate speaks, the patient is taken to be at rest, which flatters the
    figure. Breathing in more than the valve gives means less oxygen than printed, not more.
"""
version = 1
changes = []
order = 310
part = "valves"
*/
-- One row per stay, ward and month with any time on a valve set up as printed.
select
    stay_id,
    ward,
    month,
    sum(case when meets_demand then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from valve_stretches
where meets_demand is not null
group by
    stay_id,
    ward,
    month;
