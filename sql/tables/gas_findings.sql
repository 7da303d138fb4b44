-- One row per blood gas within its stay, with what follows from it and what oxygen was given when it was taken. Made by
-- pipeline/events/gases.py. pattern: see pipeline/physiology/gas_patterns.py; a venous gas has none, but a screen.
create table gas_findings (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    ward varchar, -- where it was taken: every figure is shown by ward
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    taken_at timestamp not null, -- when, for intervals to what was done before and after
    excluded varchar, -- why this time is not audited, so that the gas can be left out
    retainer varchar, -- the strongest evidence of CO2 retention when it was taken, this gas included
    sample_type varchar not null, -- an arterial or capillary gas can prove retention, a venous one cannot
    ph double, -- acidosis is told by it
    pco2_kpa double, -- retention is told by it
    po2_kpa double, -- how well oxygen reaches the blood; arterial samples only
    bicarbonate_mmol_l double, -- charted, else derived: acute or compensated is told by it
    bicarbonate_derived boolean, -- whether it was computed from pH and pCO2
    base_excess_mmol_l double, -- the metabolic part
    hydrogen_ion_nmol_l double, -- acidity as some hospitals state it
    pattern varchar, -- acute, compensated, acute on chronic: what the gas shows
    venous_screen varchar, -- what a venous gas says of arterial retention
    device varchar, -- through what oxygen was given
    flow_l_min double, -- as charted, to show what the estimate rests on
    fio2 double, -- recorded with the gas, else estimated from the device in force
    fio2_low double, -- how uncertain the estimate is
    fio2_high double, -- how uncertain the estimate is
    po2_fio2_ratio_kpa double, -- how well the lungs take up oxygen
    alveolar_arterial_kpa double, -- tells a lung problem from too little breathing
    spo2_percent double, -- the reading nearest in time, to compare the oximeter with the gas
    expected_saturation_percent double, -- the saturation that the gas leads one to expect
    oximeter_agreement varchar -- whether the reading can be believed
);
