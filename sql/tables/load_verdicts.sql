-- One row per load, contract and subject: whether the load as a whole keeps the contract. See pipeline/intake/contracts/judge.py.
-- subject: what was judged: a table, table: rule, table.column, a ward, a local day, a saturation, or the load.
-- verdict: met, not met, not applicable (nothing to judge) or could not run (a fault of the tool; never counted as met).
-- observed, lowest, highest: in the unit of the contract; null where there is none. Both limits are accepted.
create table load_verdicts (
    load_no integer not null, -- which load was judged
    contract varchar not null, -- what was judged
    subject varchar not null, -- what was judged
    verdict varchar not null, -- whether the load can be trusted, shown on every page when it cannot
    observed double, -- how far from the limit it was
    lowest double, -- how far from the limit it was
    highest double, -- how far from the limit it was
    unit varchar not null, -- how far from the limit it was
    sentence varchar not null, -- the verdict in words, for the data-quality page
    what_to_do varchar not null -- how to put it right, for the data-quality page
);
