-- One row per month, ward (null: all) and group (retainer / other / null: all). Shares are of observed time under a
-- target: below + within + the three aboves. Intervals are 95 %, from a bootstrap over patients.
-- unobserved_on_oxygen_s and unobserved_on_air_s are parts of unobserved_s; the rest had no device in force.
-- patients_observed: patients with observed time under a target, on whom the shares rest.
-- readings: readings under a target outside excluded time; episodes stand under the month and ward of their start.
create table month_summary (
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    ward varchar, -- the ward the figure is for (null: all)
    "group" varchar, -- retainers and others are shown apart, since their bands differ
    patients bigint not null, -- how many the figures rest on; small counts are hidden by it
    patients_observed bigint, -- how many the figures rest on; small counts are hidden by it
    stays bigint not null, -- how many the figures rest on; small counts are hidden by it
    below_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    within_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_oxygen_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_air_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_device_unknown_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    unobserved_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    no_target_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    excluded_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    unobserved_on_oxygen_s bigint not null, -- how much of the time the shares cannot see
    unobserved_on_air_s bigint not null, -- how much of the time the shares cannot see
    share_below double, -- the figure of the report, and its 95 % interval
    share_below_low double, -- the figure of the report, and its 95 % interval
    share_below_high double, -- the figure of the report, and its 95 % interval
    share_within double, -- the figure of the report, and its 95 % interval
    share_within_low double, -- the figure of the report, and its 95 % interval
    share_within_high double, -- the figure of the report, and its 95 % interval
    share_above_on_oxygen double, -- the figure of the report, and its 95 % interval
    share_above_on_oxygen_low double, -- the figure of the report, and its 95 % interval
    share_above_on_oxygen_high double, -- the figure of the report, and its 95 % interval
    patient_share_within_median double, -- the same over patients or readings, since time alone can mislead
    patient_share_within_q1 double, -- the same over patients or readings, since time alone can mislead
    patient_share_within_q3 double, -- the same over patients or readings, since time alone can mislead
    patient_share_within_median_low double, -- the same over patients or readings, since time alone can mislead
    patient_share_within_median_high double, -- the same over patients or readings, since time alone can mislead
    readings bigint not null, -- how many readings the shares of readings rest on
    reading_share_below double, -- the same over patients or readings, since time alone can mislead
    reading_share_within double, -- the same over patients or readings, since time alone can mislead
    reading_share_above_on_oxygen double, -- the same over patients or readings, since time alone can mislead
    episodes bigint not null, -- how many episodes of high oxygen, and what became of them
    episodes_above bigint not null, -- how many episodes of high oxygen, and what became of them
    episodes_without_gas_in_time bigint not null -- how many episodes of high oxygen, and what became of them
);
