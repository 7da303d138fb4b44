-- One row per month, ward (null: all) and group (retainer / other / null: all) that also has a month before it:
-- the change of each share from the calendar month before, in fraction, with a 95 % interval from a bootstrap over
-- patients (the months taken as independent). Null where either month has no observed time.
create table month_changes (
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    ward varchar, -- the ward the figure is for (null: all)
    "group" varchar, -- retainers and others are shown apart, since their bands differ
    share_below_change double, -- the change of the report, and its 95 % interval
    share_below_change_low double, -- the change of the report, and its 95 % interval
    share_below_change_high double, -- the change of the report, and its 95 % interval
    share_within_change double, -- the change of the report, and its 95 % interval
    share_within_change_low double, -- the change of the report, and its 95 % interval
    share_within_change_high double, -- the change of the report, and its 95 % interval
    share_above_on_oxygen_change double, -- the change of the report, and its 95 % interval
    share_above_on_oxygen_change_low double, -- the change of the report, and its 95 % interval
    share_above_on_oxygen_change_high double -- the change of the report, and its 95 % interval
);
