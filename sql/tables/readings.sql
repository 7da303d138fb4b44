-- One row per oxygen saturation reading. Source: `readings` of the extract.
create table readings (
    stay_no integer not null,
    taken_at timestamp not null,
    spo2_percent double not null,
    respiratory_rate double,
    ews_scale tinyint,
    spo2_score tinyint,
    source varchar
);
