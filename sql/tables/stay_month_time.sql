-- One row per stay, month and ward: seconds in each band state and readings in each, over all targets.
-- retainer_group: 'retainer' when any stay of the patient with time in this month has evidence of CO2 retention at any
-- time in it, else 'other'. readings: those under a target, outside excluded time.
create table stay_month_time (
    stay_id varchar not null,
    patient_key varchar not null,
    month varchar not null,
    ward varchar,
    retainer_group varchar not null,
    below_s bigint not null,
    within_s bigint not null,
    above_on_oxygen_s bigint not null,
    above_on_air_s bigint not null,
    above_device_unknown_s bigint not null,
    unobserved_s bigint not null,
    no_target_s bigint not null,
    excluded_s bigint not null,
    unobserved_on_oxygen_s bigint not null,
    unobserved_on_air_s bigint not null,
    readings bigint not null,
    readings_below bigint not null,
    readings_within bigint not null,
    readings_above_on_oxygen bigint not null
);
