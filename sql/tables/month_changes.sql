-- One row per month, ward (null: all) and group (retainer / other / null: all) that also has a month before it:
-- the change of each share from the calendar month before, in fraction, with a 95 % interval from a bootstrap over
-- patients (the months taken as independent). Null where either month has no observed time.
create table month_changes (
    month varchar not null,
    ward varchar,
    "group" varchar,
    share_below_change double,
    share_below_change_low double,
    share_below_change_high double,
    share_within_change double,
    share_within_change_low double,
    share_within_change_high double,
    share_above_on_oxygen_change double,
    share_above_on_oxygen_change_low double,
    share_above_on_oxygen_change_high double
);
