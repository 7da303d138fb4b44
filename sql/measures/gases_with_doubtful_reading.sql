/*
title = "Blood gases that do not go with the saturation reading beside them"
question = "How many of the arterial gases with a saturation reading close by lie far from that reading?"
kind = "share"
unit = "%"
needs = ["gases"]
of = "events"
better = "lower"
numerator = """
    Gases whose expected saturation, worked out from pO2, pH and pCO2, is further from the reading than the points
    allowed (see the thresholds).
"""
denominator = """
    Arterial gases with pO2 and pH and a saturation reading close in time (see the thresholds); the nearest reading
    counts.
"""
excludes = "Venous and capillary gases, gases without a reading close by, and time under an exclusion flag."
standard = "None published."
source = """
    Expected saturation: Severinghaus, J Appl Physiol 1979;46:599-602, and Kelman, J Appl Physiol 1966;21:1375-6.
    Tolerance: Food and Drug Administration, safety communication on pulse oximeters (2021): a reading of 90 % may be
    86-94 %. How near a reading has to be is a choice of this audit.
"""
caution = """
    Which of the two is wrong cannot be told: a venous sample called arterial, cold hands, movement, carbon monoxide,
    dark skin (readings too high), or oxygen changed in between. The saturation of the gas is an estimate for normal
    blood, not measured. Clocks of analyser and chart may differ.
"""
version = 1
changes = []
order = 320
part = "gases"
*/
-- One row per stay, ward and month with any gas that can be compared with a reading.
select
    stay_id,
    ward,
    month,
    sum(case when oximeter_agreement = 'agrees' then 0 else 1 end) as numerator,
    count(*) as denominator
from gas_findings
where
    oximeter_agreement is not null
    and excluded is null
group by
    stay_id,
    ward,
    month;
