-- One row per measure, month, ward (null: all) and group (retainer / other / null: all), pooled: sum first, divide last.
-- result is null where there was no eligible time or event; low and high are a 95 % interval.
create table measure_summary (
    measure_id varchar not null, -- which measure
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    ward varchar, -- the ward the figure is for (null: all)
    "group" varchar, -- retainers and others are shown apart, since their bands differ
    patients bigint not null, -- how many the figure rests on; small counts are hidden by it
    events bigint not null, -- how many the figure rests on; small counts are hidden by it
    numerator double, -- how the result came about
    denominator double, -- how the result came about
    result double, -- the figure of the report, and its 95 % interval
    low double, -- the figure of the report, and its 95 % interval
    high double -- the figure of the report, and its 95 % interval
);
