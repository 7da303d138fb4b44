-- One row per fact about the store itself: its version, time zone, data version and what was last measured.
create table store_facts (
    name varchar not null,
    value varchar not null
);
