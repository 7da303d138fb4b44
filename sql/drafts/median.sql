/*
# A draft: a valid measure with its cases, to be changed line by line into yours. This header is TOML; the page shows
# its words as "about this figure". Where DRAFT stands, words are still to be written. Say where a threshold comes from.
title = "DRAFT: minutes to the first saturation reading"
# One sentence that a lead would ask.
question = "DRAFT: How long after admission was the saturation read for the first time?"
kind = "median"
unit = "minutes"
# Tables that may be missing from an extract and without which the figure would mislead: wards, devices, gases, flags.
needs = []
# higher, lower, or neither
better = "lower"
# Of a median: what one value is, and which events have one.
numerator = "DRAFT: Minutes from admission to the first reading; without one, to the end of the stay, as not yet come."
denominator = "DRAFT: Stays, each in the ward and month in which it began."
excludes = "DRAFT: Nothing."
# A published value to reach, with its source; may be empty.
standard = ""
source = "DRAFT: A choice of this audit; no source."
# How the figure can mislead.
caution = "DRAFT: A reading before admission, in an ambulance say, is not in the extract."
# Raised when the meaning changes; then say what changed: changes = [{version = 2, date = 2026-03-01, what = "..."}]
version = 1
changes = []
# The place among the measures: no two have the same.
order = 1000
# The part of the report: band, episodes, pathway, valves, gases, excess, other.
part = "other"
*/
-- One row per stay. value: minutes; censored: true where the end had not come when the stay ended (it counts as "longer
-- than that"). The tables are in DEVELOPERS.md. Lengths of time are sums of `seconds`, so that any engine can add them.
-- Many times between two events are ready in the table pathway_steps.
with first_readings as (
    select
        stay_id,
        min(started_at) as read_at
    from timeline
    where readings > 0
    group by stay_id
),
waits as (
    select
        timeline.stay_id,
        first_readings.read_at,
        min(timeline.started_at) as admitted_at,
        sum(
            case
                when first_readings.read_at is null then timeline.seconds
                when timeline.started_at < first_readings.read_at then timeline.seconds
                else 0
            end
        ) as waited_s
    from timeline
    left join first_readings
        on first_readings.stay_id = timeline.stay_id
    group by
        timeline.stay_id,
        first_readings.read_at
)
select
    waits.stay_id,
    timeline.ward,
    timeline.month,
    waits.waited_s / 60.0 as value,
    waits.read_at is null as censored
from waits
join timeline
    on timeline.stay_id = waits.stay_id
    and timeline.started_at = waits.admitted_at;
