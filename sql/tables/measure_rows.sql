-- One row per row that a file of sql/measures/ returned: numerator and denominator per stay, ward and month
-- (kinds share and rate), or one value an event (kind median; censored: the end had not come when the stay ended).
create table measure_rows (
    measure_id varchar not null,
    stay_id varchar not null,
    patient_key varchar not null,
    ward varchar,
    month varchar not null,
    "group" varchar not null,
    numerator double,
    denominator double,
    value double,
    censored boolean
);
