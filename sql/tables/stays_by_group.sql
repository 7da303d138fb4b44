-- One row per stay and month with time in it: its patient, and the group that the patient is in that month.
create view stays_by_group as
select distinct
    stay_id, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key, -- pseudonym of the patient: counts and intervals are over patients, not stays
    month, -- calendar month in the store's zone: every figure is shown by month
    retainer_group -- retainers and others are shown apart, since their bands differ
from stay_month_time;
