-- One row per month and direction of change (more or less oxygen), over the twelve months that end with it: what followed
-- in stays with evidence of CO2 retention. Gas pairs: see `oxygen_changes`. Medians and quartiles are over the pairs;
-- null without any.
create table oxygen_change_effects (
    month varchar not null, -- the last of the twelve months, to show it in that month's report
    direction varchar not null, -- more or less oxygen, which are shown beside each other
    changes bigint not null, -- how many changes there were
    pairs bigint not null, -- how many had a gas before and after: on what the figures rest
    patients bigint not null, -- of how many patients the pairs are: few are not shown
    pco2_change_median_kpa double, -- what followed in the middle case
    pco2_change_q1_kpa double, -- how far the cases differ
    pco2_change_q3_kpa double, -- how far the cases differ
    pco2_risen_pairs bigint not null, -- in how many it rose by as much as the policy says
    ph_change_median double, -- what followed in the middle case
    ph_change_q1 double, -- how far the cases differ
    ph_change_q3 double -- how far the cases differ
);
