-- One row per stay, month, dimension and value with observed time under a target: seconds in each band state. Made by
-- pipeline/events/where_it_happened.py.
-- dimension: `part_of_day` (four hours of the clock on the wall: `00-04` to `20-24`), `day` (`weekday`, `weekend`),
-- `device` (`not_recorded` where none was in force), `target` (`88-92`, `94-98`, `other_up_to_92`, `other_over_92`).
-- Each dimension holds all of the stay's observed time, so it adds up to the same whole. Wards: see `stay_month_time`.
create table where_it_happened (
    stay_id varchar not null, -- pseudonym of the stay: its patient and group are found by it
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    dimension varchar not null, -- by what the time is told apart, since the answer may lie in any of them
    value varchar not null, -- where in it the time lies
    below_s bigint not null, -- seconds in each band state: below always stands beside above
    within_s bigint not null, -- seconds in each band state: below always stands beside above
    above_on_oxygen_s bigint not null, -- seconds in each band state: below always stands beside above
    above_on_air_s bigint not null, -- seconds in each band state: below always stands beside above
    above_device_unknown_s bigint not null -- seconds in each band state: below always stands beside above
);
