-- One row per blood gas. Source: `gases` of the extract.
create table gases (
    stay_no integer not null,
    taken_at timestamp not null,
    sample_type varchar not null,
    ph double,
    pco2_kpa double,
    po2_kpa double,
    bicarbonate_mmol_l double,
    fio2_fraction double
);
