-- One row per stay, month and reading carry: how long the stay would be in each state, did a reading speak that long.
-- Made by pipeline/events/choices.py.
create table carry_time (
    stay_id varchar not null, -- pseudonym of the stay: its patient and group are found by it
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    carry_hours varchar not null, -- how long a reading speaks at the most, in hours: the choice looked at
    below_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    within_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_oxygen_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_on_air_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    above_device_unknown_s bigint not null, -- seconds in each band state: the sums that shares of time are made of
    unobserved_s bigint not null -- the rest of the time under a target: what a shorter carry no longer sees
);
