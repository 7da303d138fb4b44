-- One row per month, group (retainer / other / null: all), definition and part with anybody to count.
with far_above as (
    select
        stay_id,
        month,
        sum(above_on_oxygen_by_more) as readings
    from band_distance
    group by
        stay_id,
        month
),

by_patient as (
    select
        groups.patient_key,
        groups.month,
        groups.retainer_group,
        cast(sum(below_s) as bigint) as below_s,
        cast(sum(within_s) as bigint) as within_s,
        cast(sum(above_s) as bigint) as above_s,
        cast(sum(below_s + within_s + above_s) as bigint) as observed_s,
        cast(sum(below) as bigint) as below,
        cast(sum(within) as bigint) as within,
        cast(sum(above) as bigint) as above,
        cast(sum(below + within + above) as bigint) as readings,
        cast(sum(coalesce(far_above.readings, 0)) as bigint) as far_above,
        cast(sum(readings_on_oxygen) as bigint) as readings_on_oxygen,
        cast(sum(under_90_on_oxygen) as bigint) as under_90_on_oxygen,
        cast(sum(at_100_on_oxygen) as bigint) as at_100_on_oxygen,
        cast(sum(readings_on_air) as bigint) as readings_on_air,
        cast(sum(under_90_on_air) as bigint) as under_90_on_air
    from stays_by_group as groups
    join stay_month_on_oxygen as by_stay
        on by_stay.stay_id = groups.stay_id and by_stay.month = groups.month
    left join far_above
        on far_above.stay_id = groups.stay_id and far_above.month = groups.month
    group by
        groups.patient_key,
        groups.month,
        groups.retainer_group
),

-- Whether the patient had such a reading in the first 24 hours of a stay.
seen_in_first_day as (
    select
        patient_key,
        month,
        max(first_day_below) as below,
        max(first_day_above) as above,
        max(first_day_outside) as outside
    from stay_month_on_oxygen
    where first_day_outside is not null
    group by
        patient_key,
        month
),

in_first_day as (
    select distinct
        seen_in_first_day.patient_key,
        seen_in_first_day.month,
        groups.retainer_group,
        seen_in_first_day.below,
        seen_in_first_day.above,
        seen_in_first_day.outside
    from seen_in_first_day
    join stays_by_group as groups
        on groups.patient_key = seen_in_first_day.patient_key and groups.month = seen_in_first_day.month
),

-- What is counted of which whole, by the columns of by_patient and in_first_day.
definitions as (
    select
        figure.definition,
        figure.part,
        figure.is_mean,
        figure.counted,
        figure.whole
    from (
        values
            ('readings_per_patient', 'within', true, 'within', 'readings'),
            ('readings_per_patient', 'above', true, 'above', 'readings'),
            ('readings_per_patient', 'below', true, 'below', 'readings'),
            ('time_per_patient', 'within', true, 'within_s', 'observed_s'),
            ('time_per_patient', 'above', true, 'above_s', 'observed_s'),
            ('time_per_patient', 'below', true, 'below_s', 'observed_s'),
            ('pooled_readings', 'within', false, 'within', 'readings'),
            ('pooled_readings', 'above', false, 'above', 'readings'),
            ('pooled_readings', 'below', false, 'below', 'readings'),
            ('pooled_readings', 'outside', false, 'outside', 'readings'),
            ('more_than_2_above', 'above', false, 'far_above', 'readings'),
            ('fixed_limits', 'under_90_on_oxygen', false, 'under_90_on_oxygen', 'readings_on_oxygen'),
            ('fixed_limits', 'at_100_on_oxygen', false, 'at_100_on_oxygen', 'readings_on_oxygen'),
            ('fixed_limits', 'under_90_on_air', false, 'under_90_on_air', 'readings_on_air'),
            ('any_reading_in_24_h', 'below', false, 'below', 'patients'),
            ('any_reading_in_24_h', 'above', false, 'above', 'patients'),
            ('any_reading_in_24_h', 'outside', false, 'outside', 'patients')
    ) as figure (definition, part, is_mean, counted, whole)
),

-- One row per patient and figure: what is counted, and of how many.
figures as (
    select
        by_patient.patient_key,
        by_patient.month,
        by_patient.retainer_group,
        definitions.definition,
        definitions.part,
        definitions.is_mean,
        case definitions.counted
            when 'within' then by_patient.within
            when 'above' then by_patient.above
            when 'below' then by_patient.below
            when 'outside' then by_patient.above + by_patient.below
            when 'within_s' then by_patient.within_s
            when 'above_s' then by_patient.above_s
            when 'below_s' then by_patient.below_s
            when 'far_above' then by_patient.far_above
            when 'under_90_on_oxygen' then by_patient.under_90_on_oxygen
            when 'at_100_on_oxygen' then by_patient.at_100_on_oxygen
            when 'under_90_on_air' then by_patient.under_90_on_air
        end as counted,
        case definitions.whole
            when 'readings' then by_patient.readings
            when 'observed_s' then by_patient.observed_s
            when 'readings_on_oxygen' then by_patient.readings_on_oxygen
            when 'readings_on_air' then by_patient.readings_on_air
        end as whole
    from by_patient
    cross join definitions
    where definitions.whole <> 'patients'
    union all
    select
        in_first_day.patient_key,
        in_first_day.month,
        in_first_day.retainer_group,
        definitions.definition,
        definitions.part,
        definitions.is_mean,
        case definitions.counted
            when 'below' then in_first_day.below
            when 'above' then in_first_day.above
            when 'outside' then in_first_day.outside
        end as counted,
        1 as whole
    from in_first_day
    cross join definitions
    where definitions.whole = 'patients'
),

cells as (
    select kinds.name as "group"
    from (
        values
            ('retainer'),
            ('other'),
            (null)
    ) as kinds (name)
),

-- The own shares in millionths of a millionth: whole numbers, so that sums are the same in any order and on any engine.
in_cells as (
    select
        figures.month,
        cells."group",
        figures.definition,
        figures.part,
        figures.is_mean,
        figures.counted,
        figures.whole,
        case when figures.is_mean then cast(round(figures.counted / figures.whole * 1e12) as bigint) end as own_share
    from figures
    join cells
        on cells."group" is null or cells."group" = figures.retainer_group
    where figures.whole > 0
),

added_up as (
    select
        month,
        "group",
        definition,
        part,
        is_mean,
        count(*) as patients,
        cast(sum(counted) as bigint) as numerator,
        cast(sum(whole) as bigint) as denominator,
        cast(sum(own_share) as double) / count(*) as mean_share
    from in_cells
    group by
        month,
        "group",
        definition,
        part,
        is_mean
),

scattered as (
    select
        in_cells.month,
        in_cells."group",
        in_cells.definition,
        in_cells.part,
        cast(
            sum(
                cast(
                    round(
                        (in_cells.own_share - added_up.mean_share) * (in_cells.own_share - added_up.mean_share) / 1e12
                    ) as bigint
                )
            ) as double
        ) as squares
    from in_cells
    join added_up
        on added_up.month = in_cells.month
        and added_up."group" is not distinct from in_cells."group"
        and added_up.definition = in_cells.definition
        and added_up.part = in_cells.part
    where in_cells.is_mean
    group by
        in_cells.month,
        in_cells."group",
        in_cells.definition,
        in_cells.part
)

select
    added_up.month,
    added_up."group",
    added_up.definition,
    added_up.part,
    added_up.patients,
    case when not added_up.is_mean then added_up.numerator end as numerator,
    case when not added_up.is_mean then added_up.denominator end as denominator,
    case
        when added_up.is_mean then added_up.mean_share / 1e12
        else added_up.numerator / added_up.denominator
    end as result,
    case
        when added_up.is_mean and added_up.patients > 1
            then sqrt(scattered.squares / 1e12 / (added_up.patients - 1))
    end as sd
from added_up
left join scattered
    on scattered.month = added_up.month
    and scattered."group" is not distinct from added_up."group"
    and scattered.definition = added_up.definition
    and scattered.part = added_up.part
order by
    added_up.month,
    added_up."group",
    added_up.definition,
    added_up.part;
