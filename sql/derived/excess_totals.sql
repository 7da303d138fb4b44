-- One row per month and group with any time above the band on oxygen. Rounded, so that sums are the same in any order.
select
    excess_runs.month,
    groups.retainer_group as "group",
    count(distinct groups.patient_key) as patients,
    count(*) as runs,
    sum(excess_runs.above_s) / 3600.0 as hours,
    round(sum(excess_runs.percent_hours), 6) as percent_hours,
    round(coalesce(sum(excess_runs.litres), 0), 6) as litres,
    sum(excess_runs.litres_unknown_s) / 3600.0 as litres_unknown_hours
from excess_runs
join stays_by_group as groups
    on groups.stay_id = excess_runs.stay_id and groups.month = excess_runs.month
group by
    excess_runs.month,
    groups.retainer_group
order by
    excess_runs.month,
    groups.retainer_group;
