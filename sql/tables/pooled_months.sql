-- One row per figure and month that is pooled: a measure, `month_summary`, or `derived` for the tables that
-- pipeline/pooled_months.py makes month by month.
create table pooled_months (
    figure varchar not null, -- what was pooled
    month varchar not null, -- for which month
    made_from varchar not null -- fingerprint of its rows: only what has other rows is pooled again
);
