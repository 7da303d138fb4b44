-- One row per file of each load. rows_read = rows_stored + rows_already_stored + rows_repeated + rows_kept_aside.
create table load_ledger (
    load_no integer not null,
    loaded_at timestamp not null,
    table_name varchar not null,
    file_name varchar not null,
    file_sha256 varchar not null,
    rows_read bigint not null,
    rows_stored bigint not null,
    rows_already_stored bigint not null,
    rows_repeated bigint not null,
    rows_kept_aside bigint not null,
    times_ambiguous bigint not null,
    stays_replaced bigint not null,
    zone varchar not null,
    as_of timestamp not null,
    tool_version varchar not null
);
