-- One row per sentence on what was met in a load and is no row kept aside: entries of other kinds, unknown codes.
create table load_notes (
    load_no integer not null,
    sentence varchar not null
);
