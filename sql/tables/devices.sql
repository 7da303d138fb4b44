-- One row per oxygen device record. Source: `devices` of the extract.
create table devices (
    stay_no integer not null,
    started_at timestamp not null,
    device varchar not null,
    flow_l_min double,
    fio2_fraction double,
    ended_at timestamp
);
