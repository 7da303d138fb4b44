-- One row per risk or exclusion flag of a stay. Source: `flags` of the extract.
create table flags (
    stay_no integer not null,
    flagged_at timestamp not null,
    flag varchar not null,
    until_at timestamp
);
