-- One row per row of a file that was kept aside, with the first rule it broke.
-- cells: the row's cells as they were read, as JSON, so that it can be corrected and loaded again.
create table rejected_rows (
    load_no integer not null,
    table_name varchar not null,
    file_name varchar not null,
    file_sha256 varchar not null,
    row_number bigint not null,
    column_name varchar,
    rule varchar not null,
    reason varchar not null,
    cells varchar not null
);
