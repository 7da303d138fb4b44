-- One row per stay, month, ward, target in force and retainer status at the time: seconds in each band state.
-- Limits are null where no target was in force (no_target_s); excluded_s stands under whatever target is in force.
create table stay_band_time (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    ward varchar, -- the ward at the time: every figure is shown by ward
    lower_percent double, -- the band prescribed at the time: everything is judged against it
    upper_percent double, -- the band prescribed at the time: everything is judged against it
    retainer varchar, -- the evidence of CO2 retention at the time: shares are shown by it
    below_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    within_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_oxygen_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_air_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_device_unknown_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    unobserved_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    no_target_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    excluded_s bigint not null -- seconds in each band state: the sums that shares of time are made of
);
