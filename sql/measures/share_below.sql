/*
title = "Time below the prescribed band"
question = "For how much of the time we could see was the saturation lower than prescribed?"
kind = "share"
unit = "%"
better = "lower"
numerator = "Seconds in which the last reading was under the lower limit of the band in force."
denominator = "Seconds under a prescribed target for which a reading speaks: below, within or above the band."
excludes = "Time without a target, time for which no reading speaks, and time under an exclusion flag."
standard = """
    None published for the share of time. For orientation only: 28.4 % (mean of 80 ward patients' own shares, all on
    oxygen, continuous oximetry; Harper 2021).
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90 (assess a patient
    whose saturation falls below the target). Harper et al., BMC Pulm Med 2021;21.
    That a reading speaks for the time until the next one is a choice of this audit.
"""
caution = """
    Stands beside the time above the band, always: less of one with more of the other is no improvement. Nurses'
    charts miss most short falls (Sun, Anesth Analg 2015), and oximeters read too high in some patients, more often
    with dark skin or poor perfusion, so the true share is likely to be higher.
"""
version = 1
changes = []
order = 20
part = "band"
*/
-- One row per stay, ward and month with any observed time under a target.
select
    stay_id,
    ward,
    month,
    sum(case when band_state = 'below' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where band_state in ('below', 'within', 'above_on_oxygen', 'above_on_air', 'above_device_unknown')
group by
    stay_id,
    ward,
    month;
