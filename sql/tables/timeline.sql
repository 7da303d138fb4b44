-- One row per span [started_at, ended_at) of a stay in which nothing changes. The rows of one stay touch, do not
-- overlap, and sum to the length of the stay; every measure is an aggregate of this table.
-- reading_taken: a saturation was read at started_at itself (not carried forward).
-- Kept as two tables, since `spans` has a row per reading and `conditions` only a few per stay.
create view timeline as
select
    conditions.stay_id,
    conditions.patient_key,
    conditions.site,
    conditions.ward,
    conditions.month,
    spans.started_at,
    spans.started_at + to_seconds(spans.seconds) as ended_at,
    spans.seconds,
    spans.spo2_percent,
    conditions.device,
    conditions.flow_l_min,
    conditions.fio2,
    conditions.fio2_low,
    conditions.fio2_high,
    conditions.on_oxygen,
    conditions.lower_percent,
    conditions.upper_percent,
    conditions.excluded,
    spans.band_state::varchar as band_state,
    conditions.retainer,
    conditions.retainer_ever,
    spans.reading_taken
from spans
join conditions using (condition_no);
