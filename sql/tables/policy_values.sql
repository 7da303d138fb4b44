-- One row per threshold of the policy that the measured tables were made with, for measures that compare with one.
create table policy_values (
    name varchar not null, -- which threshold
    value double not null, -- what the hospital decided
    unit varchar not null -- in which unit
);
