-- One row per stay with any evidence of CO2 retention, with the instant each kind of evidence first held in the stay.
create table retainers (
    stay_id varchar not null,
    patient_key varchar not null,
    retainer_ever varchar not null,
    gas_at timestamp,
    history_at timestamp,
    target_at timestamp
);
