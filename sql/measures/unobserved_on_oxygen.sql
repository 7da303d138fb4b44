/*
title = "Time on oxygen without a recent reading"
question = "For how much of their time on oxygen were patients with a target left without a recent saturation reading?"
kind = "share"
unit = "%"
needs = ["devices"]
better = "lower"
numerator = "Seconds on oxygen under a prescribed target for which no reading speaks."
denominator = "Seconds on oxygen under a prescribed target."
excludes = "Time on air or with no known device, time without a target, and time under an exclusion flag."
standard = """
    0 %: a patient on oxygen scores at least 2 on the early-warning score and is to be observed at least every
    4 to 6 hours.
"""
source = """
    Royal College of Physicians, National Early Warning Score (NEWS) 2, 2017, chart 4. How long a reading speaks is
    among the thresholds of this report.
"""
caution = """
    Readings may have been made and not charted, or charted where the extract does not reach. Time on air is left out
    on purpose: observing a stable patient on air every 12 hours is good practice. Time unobserved is neither within
    nor outside the band.
"""
version = 1
changes = []
order = 50
part = "band"
*/
-- One row per stay, ward and month with any time on oxygen under a target.
select
    stay_id,
    ward,
    month,
    sum(case when band_state = 'unobserved' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where
    on_oxygen
    and band_state not in ('no_target', 'excluded')
group by
    stay_id,
    ward,
    month;
