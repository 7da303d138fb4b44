/*
title = "Time on oxygen without a prescribed target"
question = "For how much of their time on oxygen did patients have no target saturation prescribed?"
kind = "share"
unit = "%"
needs = ["devices"]
better = "lower"
numerator = "Seconds on oxygen with no target in force."
denominator = "Seconds on oxygen."
excludes = "Time on air or with no known device, and time under an exclusion flag."
standard = """
    0 % beyond emergencies: a target range is to be prescribed for every patient on admission. For orientation only:
    over 4 in 10 patients on oxygen had no prescription in the British national audit of 2015.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90. British Thoracic
    Society, national emergency oxygen audit 2015 (press text, April 2016).
"""
caution = """
    In an emergency oxygen is rightly started first and prescribed afterwards, so some minutes are expected; see also
    the hours until a target was prescribed. Oxygen that drives a nebuliser counts as oxygen. A target written on
    paper, or stopped in the system while still meant, shows as none.
"""
version = 1
changes = []
order = 60
part = "pathway"
*/
-- One row per stay, ward and month with any time on oxygen.
select
    stay_id,
    ward,
    month,
    sum(case when band_state = 'no_target' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where
    on_oxygen
    and band_state <> 'excluded'
group by
    stay_id,
    ward,
    month;
