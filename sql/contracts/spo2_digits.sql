-- One row per saturation at which readings are apt to heap: those that end in 0 or 5, and the edges of the two usual
-- bands (88-92 % and 94-98 %). share_of_three: readings of this value, of those of it and its two neighbours.
-- Null where the three have too few readings. 100 % has no upper neighbour.
with heaped as (
    select unnest([88, 90, 92, 94, 95, 96, 98]) as spo2_percent
),

readings as (
    select
        spo2_percent,
        count(*) as readings
    from incoming_readings
    where
        rule is null
        and status <> 'repeated'
    group by spo2_percent
),

threes as (
    select
        heaped.spo2_percent,
        sum(case when readings.spo2_percent = heaped.spo2_percent then readings.readings else 0 end) as readings_of_it,
        sum(readings.readings) as readings_of_three
    from heaped
    join readings
        on readings.spo2_percent in (heaped.spo2_percent - 1, heaped.spo2_percent, heaped.spo2_percent + 1)
    group by heaped.spo2_percent
)

select
    threes.spo2_percent || ' %' as subject,
    case
        when threes.readings_of_three >= judged_load.fewest_readings then threes.readings_of_it / threes.readings_of_three
    end as share_of_three
from threes
cross join judged_load
order by threes.spo2_percent;
