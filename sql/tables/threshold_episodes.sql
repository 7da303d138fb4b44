-- One row per episode of high inspired oxygen under each threshold that could have been chosen.
-- Made by pipeline/events/choices.py.
create table threshold_episodes (
    high_fio2_above varchar not null, -- the inspired fraction above which oxygen is called high: the choice looked at
    stay_id varchar not null, -- pseudonym of the stay: its patient and group are found by it
    month varchar not null, -- month of its start
    started_at timestamp not null, -- when it was
    saturation_during varchar not null -- whether it could be called avoidable
);
