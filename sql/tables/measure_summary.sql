-- One row per measure, month, ward (null: all) and group (retainer / other / null: all), pooled: sum first, divide last.
-- result is null where there was no eligible time or event; low and high are a 95 % interval.
create table measure_summary (
    measure_id varchar not null,
    month varchar not null,
    ward varchar,
    "group" varchar,
    patients bigint not null,
    events bigint not null,
    numerator double,
    denominator double,
    result double,
    low double,
    high double
);
