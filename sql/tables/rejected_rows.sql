-- One row per row of a file that was kept aside, with the first rule it broke.
-- cells: the row's cells as they were read, as JSON, so that it can be corrected and loaded again.
create table rejected_rows (
    load_no integer not null, -- which load
    table_name varchar not null, -- where the row stands, so that it can be corrected
    file_name varchar not null, -- where the row stands, so that it can be corrected
    file_sha256 varchar not null, -- the same file loaded again is judged anew, not counted twice
    row_number bigint not null, -- where the row stands, so that it can be corrected
    column_name varchar, -- what is wrong with it
    rule varchar not null, -- what is wrong with it
    reason varchar not null, -- what is wrong with it, in words
    cells varchar not null -- as read (and searched for identifiers), to be corrected and loaded again
);
