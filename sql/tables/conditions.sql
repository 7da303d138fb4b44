-- One row per stretch of a stay in which everything but the saturation stays the same. See `timeline`.
create table conditions (
    condition_no bigint not null,
    stay_id varchar not null,
    patient_key varchar not null,
    site varchar,
    ward varchar,
    month varchar not null,
    device varchar,
    flow_l_min double,
    fio2 double,
    fio2_low double,
    fio2_high double,
    on_oxygen boolean,
    lower_percent double,
    upper_percent double,
    excluded varchar,
    retainer varchar,
    retainer_ever varchar
);
