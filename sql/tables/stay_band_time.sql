-- One row per stay, month, ward, target in force and retainer status at the time: seconds in each band state.
-- Limits are null where no target was in force (no_target_s); excluded_s stands under whatever target is in force.
create table stay_band_time (
    stay_id varchar not null,
    patient_key varchar not null,
    month varchar not null,
    ward varchar,
    lower_percent double,
    upper_percent double,
    retainer varchar,
    below_s bigint not null,
    within_s bigint not null,
    above_on_oxygen_s bigint not null,
    above_on_air_s bigint not null,
    above_device_unknown_s bigint not null,
    unobserved_s bigint not null,
    no_target_s bigint not null,
    excluded_s bigint not null
);
