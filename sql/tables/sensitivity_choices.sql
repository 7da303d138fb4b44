-- One row per choice and value that the headline is worked out under. Made by pipeline/events/choices.py.
create table sensitivity_choices (
    choice varchar not null, -- what could have been chosen otherwise
    value varchar not null, -- the value of that choice; numbers in the unit of the policy
    place integer not null, -- the order of the values in tables and charts
    adopted boolean not null, -- whether the audit counts by it: what the others are compared with
    moves_shares boolean not null, -- whether shares of the band can hang on it; if not, they are left empty
    moves_episodes boolean not null -- whether the number of episodes can hang on it; if not, it is left empty
);
