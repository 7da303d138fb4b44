/*
title = "Oxygen-driven nebulisers kept short"
question = """
    How many oxygen-driven nebulisers in patients with evidence of CO2 retention ended within the published limit?
"""
kind = "share"
unit = "%"
of = "events"
needs = ["devices"]
better = "higher"
numerator = """
    Nebulisers whose charted end, or next device record, came within the time allowed (see the thresholds).
"""
denominator = """
    Oxygen-driven nebulisers with a charted end in patients with evidence of CO2 retention by then; each in its
    ward and month.
"""
excludes = "Nebulisers without a charted end, and those that start under an exclusion flag."
standard = """
    100 %: nebulise with air in patients at risk; where oxygen must drive it, 6 minutes at the most.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90; the 6 minutes
    from memory.
"""
caution = """
    The clock starts with the charted start. Many ends are charted late or rounded to five minutes, or not at all:
    without an end nothing can be told. A nebuliser driven by air should not be in the extract as an oxygen-driven
    one. A severe attack may ask for more.
"""
version = 1
changes = []
order = 255
part = "pathway"
*/
-- One row per stay, ward and month with a nebuliser of which it can be told.
select
    stay_id,
    ward,
    month,
    sum(case when in_time then 1 else 0 end) as numerator,
    count(*) as denominator
from pathway_steps
where
    step = 'nebuliser_short'
    and in_time is not null
group by
    stay_id,
    ward,
    month;
