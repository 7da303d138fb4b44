-- One row per step of the pathway that became due in a stay, outside excluded time. Made by pipeline/pathway/. What each
-- step is, which clock it uses and its limit: STEPS in pipeline/pathway/steps.py. minutes: audited time from started_at
-- to done_at; where it was not done, to the end of the stay or to when it was no longer due (censored).
create table pathway_steps (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    ward varchar, -- where it became due: every figure is shown by ward
    month varchar not null, -- month in which it became due
    step varchar not null, -- which step of the pathway
    started_at timestamp not null, -- when its clock starts
    done_at timestamp, -- when it was done; null when it was not
    minutes double not null, -- how long it took, or was waited for; excluded time is not counted
    done boolean not null, -- whether it was done while it was due
    limit_minutes double, -- the published limit; null where there is none
    in_time boolean, -- whether it was done within the limit; null where there is none, or the wait ended before it
    retainer varchar -- the strongest evidence of CO2 retention when it became due
);
