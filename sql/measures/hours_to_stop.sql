/*
title = "Hours from two good readings on the lowest oxygen to room air"
question = "How long after two readings in a row showed that oxygen was not needed was it stopped?"
kind = "median"
unit = "hours"
needs = ["devices"]
better = "lower"
numerator = """
    Hours from the second reading until room air. Where a reading fell below the band, oxygen was raised or no
    longer known, or the target or the stay ended first: hours until then, marked as not yet come.
"""
denominator = """
    Times on the lowest oxygen (a nasal cannula at a low flow; with evidence of CO2 retention at a still lower one, or a
    24 % valve at its lowest printed flow; see the thresholds) with two readings in a row in or above the band; each
    in the ward and month of the second.
"""
excludes = """
    Time under an exclusion flag, time without a target, and readings while an oxygen-driven nebuliser was on.
"""
standard = """
    No published time: stop when the patient is stable on a low concentration and in range on two consecutive
    observations.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, section 11.
    Counting from the second reading is a choice of this audit.
"""
caution = """
    The clock starts with the second reading. Home oxygen, breathlessness at night or on exertion, and a doctor's
    wish to wait are not charted. A flow not recorded counts as none of these. Where
    something else came first the wait is cut short, as if by chance, though these patients may differ. Stopping is
    checked by the saturation afterwards, which this figure does not show.
"""
version = 1
changes = []
order = 250
part = "pathway"
*/
-- One row per time on the lowest oxygen with two good readings. value: hours; censored: not stopped while due.
select
    stay_id,
    ward,
    month,
    minutes / 60.0 as value,
    not done as censored
from pathway_steps
where step = 'oxygen_stopped'
order by
    stay_id,
    started_at;
