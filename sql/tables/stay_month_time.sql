-- One row per stay, month and ward: seconds in each band state and readings in each, over all targets.
-- retainer_group: 'retainer' when any stay of the patient with time in this month has evidence of CO2 retention at any
-- time in it, else 'other'. readings: those under a target, outside excluded time.
create table stay_month_time (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    ward varchar, -- the ward at the time: every figure is shown by ward
    retainer_group varchar not null, -- retainers and others are shown apart, since their bands differ
    below_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    within_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_oxygen_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_air_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_device_unknown_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    unobserved_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    no_target_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    excluded_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    unobserved_on_oxygen_s bigint not null, -- the more worrying part of unobserved time
    unobserved_on_air_s bigint not null, -- the other part of unobserved time
    readings bigint not null, -- counts of readings, for shares of readings beside shares of time
    readings_below bigint not null, -- counts of readings, for shares of readings beside shares of time
    readings_within bigint not null, -- counts of readings, for shares of readings beside shares of time
    readings_above_on_oxygen bigint not null -- counts of readings, for shares of readings beside shares of time
);
