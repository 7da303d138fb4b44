-- One row per ward entered in a stay. Source: `wards` of the extract.
create table wards (
    stay_no integer not null,
    ward varchar not null,
    entered_at timestamp not null
);
