-- One row per stretch of a stay in which everything but the saturation stays the same. See `timeline`.
create table conditions (
    condition_no bigint not null, -- joins `spans` to it
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    site varchar, -- the hospital site, for measures by site
    ward varchar, -- the ward at the time: every figure is shown by ward
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    device varchar, -- through what the oxygen was given
    flow_l_min double, -- as charted, to show what the estimate rests on
    fio2 double, -- estimated inspired fraction: episodes of high oxygen are found by it
    fio2_low double, -- how uncertain the estimate is
    fio2_high double, -- how uncertain the estimate is
    on_oxygen boolean, -- above the band counts as too much oxygen only on oxygen
    lower_percent double, -- the band prescribed at the time: everything is judged against it
    upper_percent double, -- the band prescribed at the time: everything is judged against it
    excluded varchar, -- why this time is not audited, so that it can be counted apart
    retainer varchar, -- the strongest evidence of CO2 retention so far, named beside figures about retainers
    retainer_ever varchar -- the strongest evidence in the whole stay: groups are made by it
);
