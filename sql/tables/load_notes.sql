-- One row per sentence on what was met in a load and is no row kept aside: entries of other kinds, unknown codes.
create table load_notes (
    load_no integer not null, -- which load it was met in
    sentence varchar not null -- what was left out without being a row kept aside, for the data-quality page
);
