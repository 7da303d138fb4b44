-- One row per month, group (retainer / other / null: all), choice and value: the headline under this choice, all others
-- as adopted. A figure that cannot hang on the choice is null; so is a share of nothing. Under `retainer_evidence` the
-- group is the one that evidence makes. weight = 'patients': the mean of the patients' own shares of time.
create table sensitivity (
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    "group" varchar, -- retainers and others are shown apart, since their bands differ
    choice varchar not null, -- what could have been chosen otherwise
    value varchar not null, -- the value of that choice; numbers in the unit of the policy
    place integer not null, -- the order of the values in tables and charts
    adopted boolean not null, -- whether the audit counts by it: what the others are compared with
    patients bigint not null, -- how many are in the group under this choice; small counts are hidden by it
    patients_observed bigint, -- how many the shares rest on under it; small counts are hidden by it
    share_below double, -- the headline under this choice
    share_within double, -- the headline under this choice
    share_above_on_oxygen double, -- the headline under this choice
    share_unobserved double, -- of the time under a target: what the choice leaves unseen; null where time does not count
    episodes bigint, -- the headline under this choice
    episodes_above bigint -- those of them that could be called avoidable
);
