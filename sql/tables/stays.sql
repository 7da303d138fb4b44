-- One row per stay in hospital. Source: `stays` of the extract.
-- as_of: for a stay still open, the instant up to which the extract can be trusted; the audit ends there.
create table stays (
    stay_no integer not null,
    stay_id varchar not null,
    patient_key varchar not null,
    admitted_at timestamp not null,
    discharged_at timestamp,
    as_of timestamp not null,
    site varchar,
    specialty varchar,
    age_band varchar,
    sex varchar
);
