-- One row per month and group (retainer / other) with any time above the band on oxygen: its dose and its oxygen. A run
-- stands under the month of its start.
create table excess_totals (
    month varchar not null, -- every figure is shown by month
    "group" varchar not null, -- retainers and others are shown apart, since their bands differ
    patients bigint not null, -- how many had any: few are not shown
    runs bigint not null, -- how often
    hours double not null, -- the dose in time
    percent_hours double not null, -- the dose: how far above for how long
    litres double not null, -- the oxygen that flowed meanwhile
    litres_unknown_hours double not null -- for how long the flow was not charted, so that nothing is hidden
);
