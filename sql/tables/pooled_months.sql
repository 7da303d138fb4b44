-- One row per figure and month that is pooled: a measure of `measure_summary`, or `month_summary` itself.
create table pooled_months (
    figure varchar not null, -- what was pooled
    month varchar not null, -- for which month
    made_from varchar not null -- fingerprint of its rows: only what has other rows is pooled again
);
