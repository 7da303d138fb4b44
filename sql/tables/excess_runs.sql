-- One row per run of a stay above the band on oxygen, without a break, outside excluded time. Made by
-- pipeline/events/excess.py. Dose: percent-hours above the upper limit. gas_before: the last arterial or capillary gas
-- at or before the start; gas_after: the first one after the start; each null where there is none within the hours of
-- the policy (gas_pair_hours) before the start, or after the end. Gases of excluded time are left out.
create table excess_runs (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    ward varchar, -- where it started: every figure is shown by ward
    month varchar not null, -- month of its start: every figure is shown by month
    started_at timestamp not null, -- when it was, for the review
    ended_at timestamp not null, -- how long it lasted
    above_s bigint not null, -- seconds above the band on oxygen: the dose in time
    percent_hours double not null, -- how far above for how long: the dose
    highest_above_points double not null, -- how far above at most
    upper_percent double not null, -- the limit in force when it started
    device varchar, -- through what it started
    litres double, -- oxygen that flowed meanwhile, the waste among it; null where no flow is known at all
    litres_unknown_s bigint not null, -- for how long the flow is not known
    retainer varchar, -- what was known when it started
    retainer_ever varchar, -- what is known of the whole stay
    gas_before_at timestamp, -- the gas to compare with
    gas_before_pco2_kpa double, -- the gas to compare with
    gas_before_ph double, -- the gas to compare with
    gas_after_at timestamp, -- the gas that followed
    gas_after_pco2_kpa double, -- the gas that followed
    gas_after_ph double, -- the gas that followed
    pco2_change_kpa double, -- what followed, never what it caused; null without both gases
    ph_change double, -- what followed, never what it caused; null without both
    acidosis_after boolean -- whether the gas that followed shows acidosis with retention; null without one that tells
);
