/*
title = "CO2 lower after less oxygen"
question = """
    How often was a fall in inspired oxygen followed by a lower pCO2, in patients with evidence of CO2 retention?
"""
kind = "share"
unit = "%"
needs = ["devices", "gases"]
of = "events"
better = "neither"
numerator = """
    Those in which pCO2 was lower in the gas after than in the gas before, by at least as much as counts
    as a rise (see the thresholds).
"""
denominator = """
    Falls of the estimated inspired fraction, in stays with evidence of CO2 retention, with an arterial or capillary
    gas before and after.
"""
excludes = """
    Changes without such gases close enough in time (see the thresholds); a gas after the next change of oxygen
    is not counted for this one. Changes where the fraction before or after is unknown, and time under an
    exclusion flag.
"""
standard = "None published."
source = """
    How large a rise has to be: Wijesinghe et al., J R Soc Med 2012 (4 mmHg or more, 0.53 kPa; they measured through
    the skin; here the same for a fall). Looking at the last gas before and the first one after is a choice of this
    audit.
"""
caution = """
    Followed by, never caused by: oxygen is lowered in those who are getting better, and ventilation or treatment may
    have begun at the same time. Neither a high nor a low share is good by itself, and no gas is needed after a fall in
    a stable patient, so those with one are a selection. Oxygen is to be stepped down, not stopped, in CO2 retention.
    The clock is when the gas was taken; the gas before may be from under still other oxygen, and the fraction is an
    estimate. A nebuliser driven by oxygen is a rise, its end a fall.
"""
version = 1
changes = []
order = 326
part = "gases"
*/
-- One row per stay, ward and month with any fall of oxygen between two gases.
select
    oxygen_changes.stay_id,
    oxygen_changes.ward,
    oxygen_changes.month,
    sum(case when oxygen_changes.pco2_change_kpa <= -policy_values.value then 1 else 0 end) as numerator,
    count(*) as denominator
from oxygen_changes
join policy_values on policy_values.name = 'pco2_rise_from_kpa'
where
    oxygen_changes.direction = 'less'
    and oxygen_changes.retainer_ever is not null
    and oxygen_changes.pco2_change_kpa is not null
group by
    oxygen_changes.stay_id,
    oxygen_changes.ward,
    oxygen_changes.month;
