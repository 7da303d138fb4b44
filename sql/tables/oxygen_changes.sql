-- One row per change of the estimated inspired oxygen in a stay (both fractions known, outside excluded time), with the
-- gases around it. Made by pipeline/events/oxygen_changes.py. gas_before: the last arterial or capillary gas at or
-- before the change; gas_after: the first one after it and not after the next change; each null where there is none
-- within the hours of the policy (gas_pair_hours). Gases of excluded time are left out.
create table oxygen_changes (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    ward varchar, -- where it was: every figure is shown by ward
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    changed_at timestamp not null, -- when, for the minutes to the next gas
    next_change_at timestamp, -- until when its effect can be looked for: oxygen changes again, or is not known
    direction varchar not null, -- more or less oxygen
    device_before varchar not null, -- from what
    device_after varchar not null, -- to what
    fio2_before double not null, -- how large the change was
    fio2_after double not null, -- how large the change was
    spo2_percent double, -- the reading in force: whether more or less was asked for
    retainer varchar, -- what was known when it was changed
    retainer_ever varchar, -- what is known of the whole stay
    gas_before_at timestamp, -- the gas to compare with
    gas_before_pco2_kpa double, -- the gas to compare with
    gas_before_ph double, -- the gas to compare with
    gas_after_at timestamp, -- the gas that followed
    gas_after_pco2_kpa double, -- the gas that followed
    gas_after_ph double, -- the gas that followed
    gas_after_minutes double, -- how long it took
    pco2_change_kpa double, -- what followed, never what it caused; null without both gases
    ph_change double -- what followed, never what it caused; null without both
);
