-- One row per stay with any evidence of CO2 retention. gas_at, history_at, target_at: the instant from which this was
-- the strongest evidence so far (gas before history before target); null when it never was.
create table retainers (
    stay_id varchar not null,
    patient_key varchar not null,
    retainer_ever varchar not null,
    gas_at timestamp,
    history_at timestamp,
    target_at timestamp
);
