/*
# A draft: a valid measure with its cases, to be changed line by line into yours. This header is TOML; the page shows
# its words as "about this figure". Where DRAFT stands, words are still to be written. Say where a threshold comes from.
title = "DRAFT: blood gases"
# One sentence that a lead would ask.
question = "DRAFT: How often was an arterial or capillary blood gas taken?"
kind = "rate"
# The unit of a rate ends in "per 100 patient-days".
unit = "gases per 100 patient-days"
# Tables that may be missing from an extract and without which the figure would mislead: wards, devices, gases, flags.
needs = ["gases"]
# higher, lower, or neither
better = "neither"
numerator = "DRAFT: Arterial and capillary blood gases taken in the month."
denominator = "DRAFT: Patient-days (seconds / 86,400) of all stays."
excludes = "DRAFT: Venous gases, and time under an exclusion flag."
# A published value to reach, with its source; may be empty.
standard = ""
source = "DRAFT: A choice of this audit; no source."
# How the figure can mislead.
caution = "DRAFT: Gases are taken where somebody worries: more of them may mean sicker patients."
# Raised when the meaning changes; then say what changed: changes = [{version = 2, date = 2026-03-01, what = "..."}]
version = 1
changes = []
# The place among the measures: no two have the same.
order = 1000
# The part of the report: band, episodes, pathway, valves, gases, excess, other.
part = "other"
*/
-- One row per stay, ward and month with any audited time: events, and days. The tables are in DEVELOPERS.md.
-- Days and events come from two tables, which are laid one upon the other and added up. Days without an event count too.
with parts as (
    select
        stay_id,
        ward,
        month,
        0 as events,
        seconds
    from timeline
    where excluded is null
    union all
    select
        stay_id,
        ward,
        month,
        1 as events,
        0 as seconds
    from gas_findings
    where
        sample_type in ('arterial', 'capillary')
        and excluded is null
)
select
    stay_id,
    ward,
    month,
    sum(events) as numerator,
    sum(seconds) / 86400.0 as denominator
from parts
group by
    stay_id,
    ward,
    month;
