-- One row per load, contract and subject: whether the load as a whole keeps the contract. See pipeline/intake/contracts/judge.py.
-- subject: what was judged: a table, table: rule, table.column, a ward, a local day, a saturation, or the load.
-- verdict: met, not met, not applicable (nothing to judge) or could not run (a fault of the tool; never counted as met).
-- observed, lowest, highest: in the unit of the contract; null where there is none. Both limits are accepted.
create table load_verdicts (
    load_no integer not null,
    contract varchar not null,
    subject varchar not null,
    verdict varchar not null,
    observed double,
    lowest double,
    highest double,
    unit varchar not null,
    sentence varchar not null,
    what_to_do varchar not null
);
