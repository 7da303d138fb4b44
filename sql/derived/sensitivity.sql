-- One row per month, group (retainer / other / null: all), choice and value: the headline under this choice.
-- Numbers are whole up to the division, so that sums are the same in any order and on any engine.
with stay_months as (
    select
        stay_id,
        patient_key,
        month,
        retainer_group,
        sum(below_s) as below_s,
        sum(within_s) as within_s,
        sum(above_on_oxygen_s) as above_on_oxygen_s,
        sum(below_s + within_s + above_on_oxygen_s + above_on_air_s + above_device_unknown_s) as observed_s,
        sum(unobserved_s) as unobserved_s,
        sum(readings) as readings,
        sum(readings_below) as readings_below,
        sum(readings_within) as readings_within,
        sum(readings_above_on_oxygen) as readings_above_on_oxygen
    from stay_month_time
    group by
        stay_id,
        patient_key,
        month,
        retainer_group
),

-- The tiers are nested, strongest evidence first: a patient belongs to each from that of the strongest evidence on.
evidence as (
    select
        stay_months.patient_key,
        stay_months.month,
        min(case retainers.retainer_ever when 'gas' then 1 when 'history' then 2 when 'target' then 3 end) as rank
    from stay_months
    left join retainers
        on retainers.stay_id = stay_months.stay_id
    group by
        stay_months.patient_key,
        stay_months.month
),

-- Who is in which group under which choice.
members as (
    select
        stay_months.stay_id,
        stay_months.patient_key,
        stay_months.month,
        choices.choice,
        choices.value,
        case
            when choices.choice <> 'retainer_evidence' then stay_months.retainer_group
            when evidence.rank <= choices.place then 'retainer'
            else 'other'
        end as retainer_group
    from stay_months
    join evidence
        on evidence.patient_key = stay_months.patient_key and evidence.month = stay_months.month
    cross join sensitivity_choices as choices
),

-- What a patient weighs in each share: seconds, or readings.
weighed as (
    select
        members.patient_key,
        members.month,
        members.retainer_group,
        members.choice,
        members.value,
        case when members.value = 'readings' then readings_below else below_s end as below,
        case when members.value = 'readings' then readings_within else within_s end as within,
        case when members.value = 'readings' then readings_above_on_oxygen else above_on_oxygen_s end as above,
        case when members.value = 'readings' then readings else observed_s end as observed,
        case when members.value = 'readings' then 0 else unobserved_s end as unobserved
    from members
    join stay_months
        on stay_months.stay_id = members.stay_id and stay_months.month = members.month
    where members.choice in ('weight', 'retainer_evidence')
    union all
    select
        members.patient_key,
        members.month,
        members.retainer_group,
        members.choice,
        members.value,
        below_s as below,
        within_s as within,
        above_on_oxygen_s as above,
        below_s + within_s + above_on_oxygen_s + above_on_air_s + above_device_unknown_s as observed,
        unobserved_s as unobserved
    from members
    join carry_time
        on carry_time.stay_id = members.stay_id
        and carry_time.month = members.month
        and carry_time.carry_hours = members.value
    where members.choice = 'reading_carry_hours'
),

by_patient as (
    select
        patient_key,
        month,
        retainer_group,
        choice,
        value,
        cast(sum(below) as bigint) as below,
        cast(sum(within) as bigint) as within,
        cast(sum(above) as bigint) as above,
        cast(sum(observed) as bigint) as observed,
        cast(sum(unobserved) as bigint) as unobserved
    from weighed
    group by
        patient_key,
        month,
        retainer_group,
        choice,
        value
),

-- Where patients count, each weighs the same; their own shares are counted in millionths of a millionth.
parts as (
    select
        patient_key,
        month,
        retainer_group,
        choice,
        value,
        observed > 0 as is_observed,
        case when value = 'patients' then 1 else observed end as whole,
        case when value = 'patients' then 1000000000000 else 1 end as parts_of_one,
        case
            when value = 'patients' then cast(round(below / nullif(observed, 0) * 1e12) as bigint)
            else below
        end as below,
        case
            when value = 'patients' then cast(round(within / nullif(observed, 0) * 1e12) as bigint)
            else within
        end as within,
        case
            when value = 'patients' then cast(round(above / nullif(observed, 0) * 1e12) as bigint)
            else above
        end as above,
        unobserved
    from by_patient
    where observed + unobserved > 0
),

episodes as (
    select
        'high_fio2_above' as choice,
        high_fio2_above as value,
        stay_id,
        month,
        saturation_during
    from threshold_episodes
    union all
    select
        'fio2_estimate' as choice,
        estimate as value,
        stay_id,
        month,
        saturation_during
    from episode_estimates
    union all
    -- Only a stay with the evidence has episodes by it.
    select
        choices.choice,
        choices.value,
        best.stay_id,
        best.month,
        best.saturation_during
    from episode_estimates as best
    join retainers
        on retainers.stay_id = best.stay_id
    join sensitivity_choices as choices
        on choices.choice = 'retainer_evidence'
        and choices.place
        >= case retainers.retainer_ever when 'gas' then 1 when 'history' then 2 when 'target' then 3 end
    where best.estimate = 'best'
),

groups as (
    select kinds.name
    from (
        values
            ('retainer'),
            ('other'),
            (null)
    ) as kinds (name)
),

cells as (
    select
        months.month,
        groups.name as "group",
        choices.choice,
        choices.value,
        choices.place,
        choices.adopted,
        choices.moves_shares,
        choices.moves_episodes
    from (select distinct month from stay_month_time) as months
    cross join groups
    cross join sensitivity_choices as choices
),

counted as (
    select
        members.month,
        groups.name as "group",
        members.choice,
        members.value,
        count(distinct members.patient_key) as patients
    from members
    join groups
        on groups.name is null or groups.name = members.retainer_group
    group by
        members.month,
        groups.name,
        members.choice,
        members.value
),

shares as (
    select
        parts.month,
        groups.name as "group",
        parts.choice,
        parts.value,
        sum(case when parts.is_observed then 1 else 0 end) as patients_observed,
        cast(sum(case when parts.is_observed then parts.below end) as double) / max(parts.parts_of_one) as below,
        cast(sum(case when parts.is_observed then parts.within end) as double) / max(parts.parts_of_one) as within,
        cast(sum(case when parts.is_observed then parts.above end) as double) / max(parts.parts_of_one) as above,
        cast(sum(case when parts.is_observed then parts.whole end) as double) as whole,
        cast(sum(parts.unobserved) as double) as unobserved
    from parts
    join groups
        on groups.name is null or groups.name = parts.retainer_group
    group by
        parts.month,
        groups.name,
        parts.choice,
        parts.value
),

episode_counts as (
    select
        episodes.month,
        groups.name as "group",
        episodes.choice,
        episodes.value,
        count(*) as episodes,
        sum(case when episodes.saturation_during = 'above' then 1 else 0 end) as episodes_above
    from episodes
    join members
        on members.stay_id = episodes.stay_id
        and members.month = episodes.month
        and members.choice = episodes.choice
        and members.value = episodes.value
    join groups
        on groups.name is null or groups.name = members.retainer_group
    group by
        episodes.month,
        groups.name,
        episodes.choice,
        episodes.value
)

select
    cells.month,
    cells."group",
    cells.choice,
    cells.value,
    cells.place,
    cells.adopted,
    coalesce(counted.patients, 0) as patients,
    case when cells.moves_shares then coalesce(shares.patients_observed, 0) end as patients_observed,
    shares.below / shares.whole as share_below,
    shares.within / shares.whole as share_within,
    shares.above / shares.whole as share_above_on_oxygen,
    case
        when cells.choice <> 'weight' or cells.value = 'time'
            then shares.unobserved / (coalesce(shares.whole, 0) + shares.unobserved)
    end as share_unobserved,
    case when cells.moves_episodes then coalesce(episode_counts.episodes, 0) end as episodes,
    case when cells.moves_episodes then coalesce(episode_counts.episodes_above, 0) end as episodes_above
from cells
left join counted
    on counted.month = cells.month
    and counted."group" is not distinct from cells."group"
    and counted.choice = cells.choice
    and counted.value = cells.value
left join shares
    on shares.month = cells.month
    and shares."group" is not distinct from cells."group"
    and shares.choice = cells.choice
    and shares.value = cells.value
left join episode_counts
    on episode_counts.month = cells.month
    and episode_counts."group" is not distinct from cells."group"
    and episode_counts.choice = cells.choice
    and episode_counts.value = cells.value
order by
    cells.month,
    cells."group",
    cells.choice,
    cells.place;
