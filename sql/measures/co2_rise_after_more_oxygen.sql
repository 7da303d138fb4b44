/*
title = "CO2 higher after more oxygen"
question = """
    How often was a rise in inspired oxygen followed by a higher pCO2, in patients with evidence of CO2 retention?
"""
kind = "share"
unit = "%"
needs = ["devices", "gases"]
of = "events"
better = "lower"
numerator = """
    Those in which pCO2 was higher in the gas after than in the gas before, by at least what counts as a rise
    (see the thresholds).
"""
denominator = """
    Rises of the estimated inspired fraction, in stays with evidence of CO2 retention, with an arterial or capillary
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
    the skin). Looking at the last gas before and the first one after is a choice of this audit.
"""
caution = """
    Followed by, never caused by: oxygen is raised and gases are taken in those who are getting worse, whose pCO2 may
    rise whatever is done. The gas after may itself be the evidence of retention, which raises the share. Published
    work differs: pCO2 rose by 4 mmHg or more in half of those given much oxygen for pneumonia (Wijesinghe 2012), but
    by 1.3 mmHg on average in stable lung disease on 50 % oxygen (95 % interval 0.7 to 1.8). The clock is when the gas
    was taken, not when it was seen; the gas before may be from under still other oxygen, and the fraction is an
    estimate. A nebuliser driven by oxygen is a rise, its end a fall.
"""
version = 1
changes = []
order = 325
part = "gases"
*/
-- One row per stay, ward and month with any rise of oxygen between two gases.
select
    oxygen_changes.stay_id,
    oxygen_changes.ward,
    oxygen_changes.month,
    sum(case when oxygen_changes.pco2_change_kpa >= policy_values.value then 1 else 0 end) as numerator,
    count(*) as denominator
from oxygen_changes
join policy_values on policy_values.name = 'pco2_rise_from_kpa'
where
    oxygen_changes.direction = 'more'
    and oxygen_changes.retainer_ever is not null
    and oxygen_changes.pco2_change_kpa is not null
group by
    oxygen_changes.stay_id,
    oxygen_changes.ward,
    oxygen_changes.month;
