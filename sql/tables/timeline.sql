-- One row per span [started_at, ended_at) of a stay in which nothing changes. The rows of one stay touch, do not
-- overlap, and sum to the length of the stay; every measure is an aggregate of this table.
-- readings: how many saturations were read in the span, the first at started_at itself, the last last_reading_s later;
-- 0: carried forward. Several only where a monitor said the same again within a minute and nothing else was charted.
-- Kept as two tables, since `spans` has a row per reading and `conditions` only a few per stay.
create view timeline as
select
    conditions.stay_id, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    conditions.patient_key, -- pseudonym of the patient: counts and intervals are over patients, not stays
    conditions.site, -- the hospital site, for measures by site
    conditions.ward, -- the ward at the time: every figure is shown by ward
    conditions.month, -- calendar month in the store's zone: every figure is shown by month
    spans.started_at, -- when the span starts: where episodes, months and readings are placed
    spans.started_at + spans.seconds * interval '1 second' as ended_at, -- when the span ends, not included
    spans.seconds, -- the length of the span: every share of time adds it up
    spans.spo2_percent, -- the saturation that holds, to show how far from the band it was
    conditions.device, -- through what the oxygen was given
    conditions.flow_l_min, -- as charted, to show what the estimate rests on
    conditions.fio2, -- estimated inspired fraction: episodes of high oxygen are found by it
    conditions.fio2_low, -- how uncertain the estimate is
    conditions.fio2_high, -- how uncertain the estimate is
    conditions.on_oxygen, -- above the band counts as too much oxygen only on oxygen
    conditions.lower_percent, -- the band prescribed at the time: everything is judged against it
    conditions.upper_percent, -- the band prescribed at the time: everything is judged against it
    conditions.excluded, -- why this time is not audited, so that it can be counted apart
    spans.band_state::varchar as band_state, -- below, within, above or not to be told: what is counted
    conditions.retainer, -- the strongest evidence of CO2 retention so far, named beside figures about retainers
    conditions.retainer_ever, -- the strongest evidence in the whole stay: groups are made by it
    spans.readings, -- to count readings beside time
    spans.last_reading_s -- how long after the start the last of them was read, for intervals between readings
from spans
join conditions using (condition_no);
