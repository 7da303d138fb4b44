/*
title = "Time within the prescribed band"
question = "For how much of the time we could see were patients inside the saturation band prescribed for them?"
kind = "share"
unit = "%"
better = "higher"
numerator = "Seconds in which the last reading was inside the band in force, both limits included."
denominator = "Seconds under a prescribed target for which a reading speaks: below, within or above the band."
excludes = "Time without a target, time for which no reading speaks, and time under an exclusion flag."
standard = """
    The British Thoracic Society asks that every patient is kept within the prescribed band; nobody has published a
    target for the share of time. For orientation only: 55.6 % (mean of 80 ward patients' own shares, all on oxygen,
    continuous oximetry; Harper 2021).
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90.
    Harper et al., BMC Pulm Med 2021;21 (share of time in a target range).
    That a reading speaks for the time until the next one is a choice of this audit.
"""
caution = """
    Charted readings are hours apart, and a reading one point outside the band is within the error of the meter.
    Time above the band on room air counts as observed but not as within: it is not excess oxygen and nobody's fault,
    and it keeps this share under 100 % where many patients breathe air. Read it beside the time below and the time
    above on oxygen.
"""
version = 1
changes = []
order = 10
part = "band"
*/
-- One row per stay, ward and month with any observed time under a target.
select
    stay_id,
    ward,
    month,
    sum(case when band_state = 'within' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where band_state in ('below', 'within', 'above_on_oxygen', 'above_on_air', 'above_device_unknown')
group by
    stay_id,
    ward,
    month;
