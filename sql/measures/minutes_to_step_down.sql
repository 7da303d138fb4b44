/*
title = "Minutes from a reading above the band to less oxygen"
question = "How long after the saturation was first seen above the band was oxygen lowered?"
kind = "median"
unit = "minutes"
needs = ["devices"]
better = "lower"
numerator = """
    Minutes from the first reading above the band on oxygen until oxygen is lowered (estimated fraction, or flow
    on the same device) or ended. Where the saturation came back, or could no longer be told, before that: minutes
    until then, marked as not yet come.
"""
denominator = """
    Unbroken times above the band on oxygen with a reading in them; each in the ward and month of its first
    reading.
"""
excludes = """
    Time under an exclusion flag; times above the band on air or with no known device; readings while an
    oxygen-driven nebuliser was on.
"""
standard = """
    No published time: lower oxygen when the patient is stable and above the band, or 4 to 8 hours in its upper
    part.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, section 11.
    Counting from the first reading above the band is a choice of this audit.
"""
caution = """
    The clock starts with the first reading above, before anybody can call it stable. A reading one point above is
    within the error of the meter. Oxygen charted lower at the same instant as the reading is 0 minutes. Where the
    saturation came back first the wait is cut short, as if by chance, though these patients may differ. Read it
    beside the time below the band: faster weaning with more low readings is no improvement.
"""
version = 1
changes = []
order = 245
part = "pathway"
*/
-- One row per unbroken time above the band on oxygen. value: minutes; censored: not lowered before it ended.
select
    stay_id,
    ward,
    month,
    minutes as value,
    not done as censored
from pathway_steps
where step = 'stepped_down'
order by
    stay_id,
    started_at;
