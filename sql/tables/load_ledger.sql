-- One row per file of each load. rows_read = rows_stored + rows_already_stored + rows_repeated + rows_kept_aside.
create table load_ledger (
    load_no integer not null, -- the history of the store, load by load
    loaded_at timestamp not null, -- the history of the store, load by load
    table_name varchar not null, -- which file
    file_name varchar not null, -- which file
    file_sha256 varchar not null, -- to know a file that comes again
    rows_read bigint not null, -- the balance: every row read is in one of the other four
    rows_stored bigint not null, -- the balance: every row read is in one of the other four
    rows_already_stored bigint not null, -- the balance: every row read is in one of the other four
    rows_repeated bigint not null, -- the balance: every row read is in one of the other four
    rows_kept_aside bigint not null, -- the balance: every row read is in one of the other four
    times_ambiguous bigint not null, -- local times that occur twice in autumn, taken as the first
    stays_replaced bigint not null, -- what --replace changed
    zone varchar not null, -- how local times were read
    as_of timestamp not null, -- where stays still open ended
    tool_version varchar not null -- which rules the rows were judged by
);
