-- One row. hours: from the latest accepted reading to the instant up to which the extract says it can be trusted.
-- Null without a reading; negative where readings come after that instant.
select
    'readings' as subject,
    date_diff('second', latest_reading_at, as_of) / 3600 as hours
from judged_load;
