-- One row per month, ward (null: all) and group (retainer / other / null: all). Shares are of observed time under a
-- target: below + within + the three aboves. Intervals are 95 %, from a bootstrap over patients.
-- unobserved_on_oxygen_s and unobserved_on_air_s are parts of unobserved_s; the rest had no device in force.
-- patients_observed: patients with observed time under a target, on whom the shares rest.
-- readings: readings under a target outside excluded time; episodes stand under the month and ward of their start.
create table month_summary (
    month varchar not null,
    ward varchar,
    "group" varchar,
    patients bigint not null,
    patients_observed bigint,
    stays bigint not null,
    below_s bigint not null,
    within_s bigint not null,
    above_on_oxygen_s bigint not null,
    above_on_air_s bigint not null,
    above_device_unknown_s bigint not null,
    unobserved_s bigint not null,
    no_target_s bigint not null,
    excluded_s bigint not null,
    unobserved_on_oxygen_s bigint not null,
    unobserved_on_air_s bigint not null,
    share_below double,
    share_below_low double,
    share_below_high double,
    share_within double,
    share_within_low double,
    share_within_high double,
    share_above_on_oxygen double,
    share_above_on_oxygen_low double,
    share_above_on_oxygen_high double,
    patient_share_within_median double,
    patient_share_within_q1 double,
    patient_share_within_q3 double,
    patient_share_within_median_low double,
    patient_share_within_median_high double,
    readings bigint not null,
    reading_share_below double,
    reading_share_within double,
    reading_share_above_on_oxygen double,
    episodes bigint not null,
    episodes_above bigint not null,
    episodes_without_gas_in_time bigint not null
);
