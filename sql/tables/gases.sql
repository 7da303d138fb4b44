-- One row per blood gas. Source: `gases` of the extract.
create table gases (
    stay_no integer not null, -- the store's own number of the stay: joins the row to its stay, shorter than stay_id
    taken_at timestamp not null, -- whether a gas was taken in time after high oxygen
    sample_type varchar not null, -- venous gases are no evidence of CO2 retention
    ph double, -- acidosis, after an episode and as evidence of CO2 retention
    pco2_kpa double, -- evidence of CO2 retention
    po2_kpa double, -- how well oxygen reaches the blood; optional
    bicarbonate_mmol_l double, -- tells long-standing CO2 retention from new; optional
    fio2_fraction double -- the oxygen given when it was taken; optional
);
