-- One row per stay with any evidence of CO2 retention. gas_at, history_at, target_at: the instant from which this was
-- the strongest evidence so far (gas before history before target); null when it never was.
create table retainers (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    patient_key varchar not null, -- pseudonym of the patient: counts and intervals are over patients, not stays
    retainer_ever varchar not null, -- the strongest evidence in the whole stay, named beside the figure
    gas_at timestamp, -- since when which evidence was there to be acted on
    history_at timestamp, -- since when which evidence was there to be acted on
    target_at timestamp -- since when which evidence was there to be acted on
);
