/*
title = "Time above the prescribed band on oxygen"
question = "For how much of the time we could see did patients on oxygen have a higher saturation than prescribed?"
kind = "share"
unit = "%"
needs = ["devices"]
better = "lower"
numerator = "Seconds on oxygen in which the last reading was over the upper limit of the band in force."
denominator = "Seconds under a prescribed target for which a reading speaks: below, within or above the band."
excludes = "Time without a target, time for which no reading speaks, and time under an exclusion flag."
standard = """
    None published for the share of time. For orientation only: 16.2 % (mean of 80 ward patients' own shares, all on
    oxygen, continuous oximetry; Harper 2021).
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90.
    Only time on supplemental oxygen counts as too high: BMJ Open Respir Res 2023;10:e001866.
    Harper et al., BMC Pulm Med 2021;21.
    That a reading speaks for the time until the next one is a choice of this audit.
"""
caution = """
    Above the band on room air is not excess oxygen and never counts here; nor does time for which no device is known.
    A reading one point above the band is within the error of the meter. Stands beside the time below the band,
    always: less of one with more of the other is no improvement.
"""
version = 1
changes = []
order = 30
part = "band"
*/
-- One row per stay, ward and month with any observed time under a target.
select
    stay_id,
    ward,
    month,
    sum(case when band_state = 'above_on_oxygen' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where band_state in ('below', 'within', 'above_on_oxygen', 'above_on_air', 'above_device_unknown')
group by
    stay_id,
    ward,
    month;
