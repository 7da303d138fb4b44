-- One row per episode of high inspired oxygen under the low, the best and the high estimate of the inspired fraction,
-- since the fraction is an estimate: how many episodes hold under each. Made by pipeline/events/estimates.py.
create table episode_estimates (
    estimate varchar not null, -- low, best or high: which end of the plausible range was taken
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    ward varchar, -- where it started: episodes are counted by ward
    month varchar not null, -- month of its start
    started_at timestamp not null, -- when it was
    high_s bigint not null, -- how long it lasted
    saturation_during varchar not null -- whether it could be called avoidable
);
