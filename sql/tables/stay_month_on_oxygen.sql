-- One row per stay and month: what the published definitions are made of, so that they need not look at every span.
-- Readings and time under a target; under 90 % and at 100 %: of all readings outside excluded time.
-- first_day_...: 1 when such a reading on oxygen was taken in the first 24 hours after admission, else 0; in the month of
-- the first of these readings only, else null.
create table stay_month_on_oxygen (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    below_s bigint not null, -- seconds on oxygen in each band state, for shares of time
    within_s bigint not null, -- seconds on oxygen in each band state, for shares of time
    above_s bigint not null, -- seconds on oxygen in each band state, for shares of time
    below bigint not null, -- readings on oxygen in each band state, for shares of readings
    within bigint not null, -- readings on oxygen in each band state, for shares of readings
    above bigint not null, -- readings on oxygen in each band state, for shares of readings
    readings_on_oxygen bigint not null, -- of how many readings the fixed limits are counted
    under_90_on_oxygen bigint not null, -- readings past a fixed limit, whatever the target
    at_100_on_oxygen bigint not null, -- readings past a fixed limit, whatever the target
    readings_on_air bigint not null, -- of how many readings the fixed limit is counted
    under_90_on_air bigint not null, -- readings past a fixed limit, whatever the target
    first_day_below integer, -- whether any reading in 24 h was out of the band, as some audits ask
    first_day_above integer, -- whether any reading in 24 h was out of the band, as some audits ask
    first_day_outside integer -- whether any reading in 24 h was out of the band, as some audits ask
);
