-- One row per fact about the store itself: its version, time zone, data version and what was last measured.
create table store_facts (
    name varchar not null, -- which fact
    value varchar not null -- what the store must know of itself to be read rightly
);
