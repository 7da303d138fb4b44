-- One row per row that a file of sql/measures/ returned: numerator and denominator per stay, ward and month
-- (kinds share and rate), or one value an event (kind median; censored: the end had not come when the stay ended).
create table measure_rows (
    measure_id varchar not null, -- which measure
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    ward varchar, -- the ward at the time: every figure is shown by ward
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    "group" varchar not null, -- retainers and others are shown apart, since their bands differ
    numerator double, -- what is pooled: sum first, divide last
    denominator double, -- what is pooled: sum first, divide last
    value double, -- one value an event, for a median
    censored boolean -- the event had not come: the median takes this into account
);
