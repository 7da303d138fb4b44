"""The stays of CO2 retainers most worth a look: picked from the measured events of the month, in an order that is told.

A person judges; the list only says where to begin. It holds keys, and so is for the audit team alone.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any

import duckdb

from pipeline.policy import Policy

MOST = 10
# A choice of this page: oxygen still uncontrolled this long after the gas that showed CO2 retention is told.
LATE_MINUTES = 60


def stays_to_review(
    con: duckdb.DuckDBPyConnection,
    month: str,
    start: datetime,
    end: datetime,
    policy: Policy,
    absent: Collection[str] = (),
) -> list[dict[str, Any]]:
    """The first MOST stays with a reason to be looked at, one row each, the first to be looked at first.

    start, end: of the month, in UTC. Reasons:
    acidosis_ph, acidosis_pco2_kpa: of the first gas after time above the band on oxygen, or after an episode of high
    oxygen, that showed respiratory acidosis. rise_kpa, rise_from_kpa, rise_to_kpa: the largest rise of pCO2 from the
    gas before time above the band to the one after, when it is as large as the policy says. is_long: above_s, the time
    above the band on oxygen, is as long as one reading may speak. is_long_after_gas: so is after_gas_s, the part of it
    once a gas had shown CO2 retention. without_gas: an episode with a reading above the band and no gas in time.
    late_ventilation: bilevel ventilation not in time. uncontrolled_minutes: oxygen not controlled for LATE_MINUTES or
    longer after the first retaining gas. is_long_below: below_s, the time below the band, is as long as one reading may
    speak. other_reasons: how many of those from is_long on.
    absent: tables never loaded; without gases none can be late.
    Order: acidosis first, then a rise of pCO2, then more of the other reasons, then longer above the band, then by key.
    Times are in UTC; began_at, ward and device are those of the longest time above the band, else of the first episode,
    else of the first step.
    """
    values = {
        "month": month,
        "start": start,
        "end": end,
        "carry_s": policy.reading_carry_hours * 3600,
        "retaining_kpa": policy.retainer_pco2_above_kpa,
        "rise_kpa": policy.pco2_rise_from_kpa,
        "late_minutes": LATE_MINUTES,
        "with_gases": "gases" not in absent,
        "most": MOST,
    }
    found = con.execute(_QUERY, values)
    names = [column[0] for column in found.description]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


_QUERY = """
with of_month as (
    select stay_id
    from stays_by_group
    where
        month = $month
        and retainer_group = 'retainer'
),

runs as (
    select
        stay_id,
        count(*) as runs,
        sum(above_s) as above_s,
        max(above_s) as longest_s,
        arg_max(struct_pack(started_at := started_at, ward := ward, device := device), (above_s, -epoch(started_at)))
            as longest,
        arg_min(
            struct_pack(taken_at := gas_after_at, ph := gas_after_ph, pco2_kpa := gas_after_pco2_kpa),
            (gas_after_at, started_at)
        ) filter (where acidosis_after) as acidosis,
        arg_max(
            struct_pack(kpa := pco2_change_kpa, from_kpa := gas_before_pco2_kpa, to_kpa := gas_after_pco2_kpa),
            (pco2_change_kpa, -epoch(started_at))
        ) filter (where pco2_change_kpa >= $rise_kpa) as rise,
        sum(
            case
                when retainer = 'gas' then above_s
                when gas_after_pco2_kpa > $retaining_kpa and gas_after_at < ended_at
                    then epoch(ended_at)::bigint - epoch(gas_after_at)::bigint
                else 0
            end
        ) as after_gas_s
    from excess_runs
    where month = $month
    group by stay_id
),

episodes as (
    select
        stay_id,
        arg_min(struct_pack(started_at := started_at, ward := ward, device := device_at_peak), started_at) as first,
        $with_gases and bool_or(saturation_during = 'above' and not repeat_gas_in_time) as without_gas,
        arg_min(
            struct_pack(taken_at := gas_after_at, ph := gas_after_ph, pco2_kpa := gas_after_pco2_kpa),
            (gas_after_at, started_at)
        ) filter (where acidosis_after) as acidosis
    from high_fio2_episodes
    where
        started_at >= $start
        and started_at < $end
    group by stay_id
),

steps as (
    select
        stay_id,
        arg_min(struct_pack(started_at := started_at, ward := ward), (started_at, step)) as first,
        coalesce(bool_or(step in ('bilevel_after_gas', 'bilevel_after_arrival') and not in_time), false)
            as late_ventilation,
        max(case when step = 'controlled_oxygen' and minutes >= $late_minutes then minutes end)
            as uncontrolled_minutes
    from pathway_steps
    where
        month = $month
        and step in ('bilevel_after_gas', 'bilevel_after_arrival', 'controlled_oxygen')
    group by stay_id
),

below as (
    select
        stay_id,
        sum(below_s) as below_s
    from stay_month_time
    where month = $month
    group by stay_id
),

told as (
    select
        of_month.stay_id,
        coalesce(runs.longest.started_at, episodes.first.started_at, steps.first.started_at) as began_at,
        case
            when runs.stay_id is not null then runs.longest.ward
            when episodes.stay_id is not null then episodes.first.ward
            else steps.first.ward
        end as ward,
        case when runs.stay_id is not null then runs.longest.device else episodes.first.device end as device,
        coalesce(runs.runs, 0) as runs,
        coalesce(runs.above_s, 0) as above_s,
        coalesce(runs.longest_s, 0) as longest_s,
        coalesce(runs.above_s, 0) >= $carry_s as is_long,
        case
            when runs.acidosis is null or episodes.acidosis.taken_at < runs.acidosis.taken_at then episodes.acidosis
            else runs.acidosis
        end as acidosis,
        runs.rise,
        coalesce(runs.after_gas_s, 0) as after_gas_s,
        coalesce(runs.after_gas_s, 0) >= $carry_s as is_long_after_gas,
        coalesce(episodes.without_gas, false) as without_gas,
        coalesce(steps.late_ventilation, false) as late_ventilation,
        steps.uncontrolled_minutes,
        coalesce(below.below_s, 0) as below_s,
        coalesce(below.below_s, 0) >= $carry_s as is_long_below
    from of_month
    left join runs
        on runs.stay_id = of_month.stay_id
    left join episodes
        on episodes.stay_id = of_month.stay_id
    left join steps
        on steps.stay_id = of_month.stay_id
    left join below
        on below.stay_id = of_month.stay_id
),

counted as (
    select
        stay_id,
        began_at,
        ward,
        device,
        runs,
        above_s,
        longest_s,
        is_long,
        acidosis,
        rise,
        after_gas_s,
        is_long_after_gas,
        without_gas,
        late_ventilation,
        uncontrolled_minutes,
        below_s,
        is_long_below,
        is_long::integer + is_long_after_gas::integer + without_gas::integer + late_ventilation::integer
            + (uncontrolled_minutes is not null)::integer + is_long_below::integer as other_reasons
    from told
)

select
    stay_id,
    began_at,
    ward,
    device,
    runs,
    above_s,
    longest_s,
    is_long,
    acidosis.ph as acidosis_ph,
    acidosis.pco2_kpa as acidosis_pco2_kpa,
    rise.kpa as rise_kpa,
    rise.from_kpa as rise_from_kpa,
    rise.to_kpa as rise_to_kpa,
    after_gas_s,
    is_long_after_gas,
    without_gas,
    late_ventilation,
    uncontrolled_minutes,
    below_s,
    is_long_below,
    other_reasons
from counted
where
    acidosis is not null
    or rise is not null
    or other_reasons > 0
order by
    acidosis is not null desc,
    rise is not null desc,
    other_reasons desc,
    above_s desc,
    stay_id
limit $most
"""
