/*
# A draft: a valid measure with its cases, to be changed line by line into yours. This header is TOML; the page shows
# its words as "about this figure". Where DRAFT stands, words are still to be written. Say where a threshold comes from.
title = "DRAFT: time on oxygen through a nasal cannula"
# One sentence that a lead would ask.
question = "DRAFT: For how much of the time on oxygen was it given through a nasal cannula?"
kind = "share"
# The unit of a share is %: the tool shows 100 x numerator / denominator.
unit = "%"
# What is counted: "time", "readings" or "events" (one thing each, each counted by itself). Its interval follows from it.
of = "time"
# Tables that may be missing from an extract and without which the figure would mislead: wards, devices, gases, flags.
needs = ["devices"]
# higher, lower, or neither
better = "neither"
numerator = "DRAFT: Seconds on oxygen through a nasal cannula."
denominator = "DRAFT: Seconds on oxygen."
excludes = "DRAFT: Time under an exclusion flag, and time for which it is not known whether oxygen ran."
# A published value to reach, with its source; may be empty.
standard = ""
source = "DRAFT: A choice of this audit; no source."
# How the figure can mislead.
caution = "DRAFT: A nebuliser that ran on top of the cannula counts as the nebuliser."
# Raised when the meaning changes; then say what changed: changes = [{version = 2, date = 2026-03-01, what = "..."}]
version = 1
changes = []
# The place among the measures: no two have the same.
order = 1000
# The part of the report: band, episodes, pathway, valves, gases, excess, other.
part = "other"
*/
-- One row per stay, ward and month with any time on oxygen that is audited. The tables are in DEVELOPERS.md.
-- Sums only: the tool adds up patients, wards and months, and divides at the end.
select
    stay_id,
    ward,
    month,
    sum(case when device = 'nasal_cannula' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from timeline
where
    on_oxygen
    and excluded is null
group by
    stay_id,
    ward,
    month;
