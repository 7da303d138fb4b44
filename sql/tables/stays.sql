-- One row per stay in hospital. Source: `stays` of the extract.
-- as_of: for a stay still open, the instant up to which the extract can be trusted; the audit ends there.
create table stays (
    stay_no integer not null, -- the store's own number of the stay, by which the other tables refer to it
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    admitted_at timestamp not null, -- start of the audited time; no other record may lie before it
    discharged_at timestamp, -- end of the time that is audited; null while the stay is open
    as_of timestamp not null, -- where the audit of a stay still open ends: later nothing was charted yet
    site varchar, -- to tell sites apart in the timeline of a hospital with several; optional
    specialty varchar, -- for measures by specialty; optional, in no figure of the report
    age_band varchar, -- for measures by age; a date of birth would identify; optional, in no figure of the report
    sex varchar -- for measures by sex, to see unequal care; optional, in no figure of the report
);
