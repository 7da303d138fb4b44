-- One row per prescribed saturation target. Source: `targets` of the extract.
create table targets (
    stay_no integer not null,
    prescribed_at timestamp not null,
    lower_percent double not null,
    upper_percent double not null,
    stopped_at timestamp
);
