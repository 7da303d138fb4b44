-- One row per stay, month and ward with any reading under a target: readings by their distance from the band, in the
-- steps of the national audits. By 1: up to 1 point from the nearest limit in force; by 2: more than 1 and up to 2; by
-- more: more than 2. Fractional values are not rounded: 1.4 points below is by 2. Excluded time is left out.
create table band_distance (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    ward varchar, -- the ward at the time: every figure is shown by ward
    readings bigint not null, -- readings under a target: what the shares are of
    below_by_1 bigint not null, -- within the error of the meter
    below_by_2 bigint not null, -- the step between
    below_by_more bigint not null, -- too low beyond the error of the meter
    above_on_oxygen_by_1 bigint not null, -- within the error of the meter
    above_on_oxygen_by_2 bigint not null, -- the step between
    above_on_oxygen_by_more bigint not null -- too high on oxygen beyond the error of the meter
);
