/*
title = "Readings within the prescribed band"
question = "How many of the saturation readings were inside the band prescribed at that moment?"
kind = "share"
unit = "%"
of = "readings"
better = "higher"
numerator = "Readings inside the band in force when they were taken, both limits included."
denominator = "Readings taken under a prescribed target."
excludes = "Readings taken without a target or under an exclusion flag."
standard = """
    No published target. For orientation only: 56.2 % (mean of 62 admissions' own shares, all given oxygen;
    Harper 2021). In the British national audit of 2015, 31 % of patients with a prescription were outside their
    range (patients, not readings).
"""
source = """
    Counting readings is the way of the British Thoracic Society's national audits (audit standards 2008; audit 2015,
    press text of April 2016). Harper et al., Postgrad Med J 2021 (share of charted readings).
"""
caution = """
    A patient who is measured more often weighs more, and the sickest are measured most often; the share of time does
    not have that fault but carries each reading forward. Readings above the band on room air are not within and not
    excess oxygen either. Charted values heap at the edges of a band.
"""
version = 1
changes = []
order = 40
part = "band"
*/
-- One row per stay, ward and month with any reading under a target.
select
    stay_id,
    ward,
    month,
    sum(case when band_state = 'within' then readings else 0 end) as numerator,
    sum(readings) as denominator
from timeline
where
    readings > 0
    and band_state in ('below', 'within', 'above_on_oxygen', 'above_on_air', 'above_device_unknown')
group by
    stay_id,
    ward,
    month;
