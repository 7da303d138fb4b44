-- One row per month, group (retainer / other / null: all), definition and part with anybody to count.
-- Adds up the many spans by their conditions first, since whether oxygen ran is the same within one.
with by_condition as (
    select
        condition_no,
        sum(case when band_state = 'below' then seconds else 0 end) as below_s,
        sum(case when band_state = 'within' then seconds else 0 end) as within_s,
        sum(case when band_state = 'above_on_oxygen' then seconds else 0 end) as above_s,
        count(*) filter (where reading_taken and band_state = 'below') as below,
        count(*) filter (where reading_taken and band_state = 'within') as within,
        count(*) filter (where reading_taken and band_state = 'above_on_oxygen') as above,
        count(*) filter (where reading_taken and band_state <> 'excluded') as readings,
        count(*) filter (where reading_taken and band_state <> 'excluded' and spo2_percent < 90) as under_90,
        count(*) filter (where reading_taken and band_state <> 'excluded' and spo2_percent = 100) as at_100
    from spans
    group by condition_no
),

far_above as (
    select
        stay_id,
        month,
        sum(above_on_oxygen_by_more) as readings
    from band_distance
    group by
        stay_id,
        month
),

by_stay as (
    select
        conditions.stay_id,
        conditions.patient_key,
        conditions.month,
        sum(case when conditions.on_oxygen then below_s else 0 end) as below_s,
        sum(case when conditions.on_oxygen then within_s else 0 end) as within_s,
        sum(case when conditions.on_oxygen then above_s else 0 end) as above_s,
        sum(case when conditions.on_oxygen then below else 0 end) as below,
        sum(case when conditions.on_oxygen then within else 0 end) as within,
        sum(case when conditions.on_oxygen then above else 0 end) as above,
        sum(case when conditions.on_oxygen then readings else 0 end) as readings_on_oxygen,
        sum(case when conditions.on_oxygen then under_90 else 0 end) as under_90_on_oxygen,
        sum(case when conditions.on_oxygen then at_100 else 0 end) as at_100_on_oxygen,
        sum(case when not conditions.on_oxygen then readings else 0 end) as readings_on_air,
        sum(case when not conditions.on_oxygen then under_90 else 0 end) as under_90_on_air
    from by_condition
    join conditions
        on conditions.condition_no = by_condition.condition_no
    group by
        conditions.stay_id,
        conditions.patient_key,
        conditions.month
),

by_patient as (
    select
        groups.patient_key,
        groups.month,
        groups.retainer_group,
        sum(below_s)::bigint as below_s,
        sum(within_s)::bigint as within_s,
        sum(above_s)::bigint as above_s,
        sum(below_s + within_s + above_s)::bigint as observed_s,
        sum(below)::bigint as below,
        sum(within)::bigint as within,
        sum(above)::bigint as above,
        sum(below + within + above)::bigint as readings,
        sum(coalesce(far_above.readings, 0))::bigint as far_above,
        sum(readings_on_oxygen)::bigint as readings_on_oxygen,
        sum(under_90_on_oxygen)::bigint as under_90_on_oxygen,
        sum(at_100_on_oxygen)::bigint as at_100_on_oxygen,
        sum(readings_on_air)::bigint as readings_on_air,
        sum(under_90_on_air)::bigint as under_90_on_air
    from stays_by_group as groups
    join by_stay
        on by_stay.stay_id = groups.stay_id and by_stay.month = groups.month
    left join far_above
        on far_above.stay_id = groups.stay_id and far_above.month = groups.month
    group by
        groups.patient_key,
        groups.month,
        groups.retainer_group
),

-- Readings of the first 24 hours after admission, in the month of the admission.
first_day as (
    select
        conditions.patient_key,
        min(conditions.month) over (partition by conditions.stay_id) as month,
        spans.band_state
    from spans
    join conditions
        on conditions.condition_no = spans.condition_no
    join stays
        on stays.stay_id = conditions.stay_id
    where
        spans.reading_taken
        and conditions.on_oxygen
        and spans.band_state in ('below', 'within', 'above_on_oxygen')
        and spans.started_at < stays.admitted_at + interval 24 hours
),

seen_in_first_day as (
    select
        patient_key,
        month,
        max(case when band_state = 'below' then 1 else 0 end) as below,
        max(case when band_state = 'above_on_oxygen' then 1 else 0 end) as above,
        max(case when band_state <> 'within' then 1 else 0 end) as outside
    from first_day
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

-- One row per patient and figure: what is counted, and of how many.
figures as (
    select
        by_patient.patient_key,
        by_patient.month,
        by_patient.retainer_group,
        figure.definition,
        figure.part,
        figure.is_mean,
        figure.counted,
        figure.whole
    from by_patient
    cross join lateral (
        values
            ('readings_per_patient', 'within', true, within, readings),
            ('readings_per_patient', 'above', true, above, readings),
            ('readings_per_patient', 'below', true, below, readings),
            ('time_per_patient', 'within', true, within_s, observed_s),
            ('time_per_patient', 'above', true, above_s, observed_s),
            ('time_per_patient', 'below', true, below_s, observed_s),
            ('pooled_readings', 'within', false, within, readings),
            ('pooled_readings', 'above', false, above, readings),
            ('pooled_readings', 'below', false, below, readings),
            ('pooled_readings', 'outside', false, above + below, readings),
            ('more_than_2_above', 'above', false, far_above, readings),
            ('fixed_limits', 'under_90_on_oxygen', false, under_90_on_oxygen, readings_on_oxygen),
            ('fixed_limits', 'at_100_on_oxygen', false, at_100_on_oxygen, readings_on_oxygen),
            ('fixed_limits', 'under_90_on_air', false, under_90_on_air, readings_on_air)
    ) as figure (definition, part, is_mean, counted, whole)
    where figure.whole > 0
    union all
    select
        in_first_day.patient_key,
        in_first_day.month,
        in_first_day.retainer_group,
        'any_reading_in_24_h' as definition,
        figure.part,
        false as is_mean,
        figure.counted,
        1 as whole
    from in_first_day
    cross join lateral (
        values
            ('below', below),
            ('above', above),
            ('outside', outside)
    ) as figure (part, counted)
),

cells as (
    select unnest(['retainer', 'other', null]) as "group"
),

added_up as (
    select
        figures.month,
        cells."group",
        figures.definition,
        figures.part,
        figures.is_mean,
        count(*) as patients,
        sum(figures.counted)::bigint as numerator,
        sum(figures.whole)::bigint as denominator,
        -- In one order, so that sums of fractions come out the same to the last digit each time.
        list(figures.counted / figures.whole order by figures.patient_key) as own_shares
    from figures
    join cells
        on cells."group" is null or cells."group" = figures.retainer_group
    group by
        figures.month,
        cells."group",
        figures.definition,
        figures.part,
        figures.is_mean
)

select
    month,
    "group",
    definition,
    part,
    patients,
    case when not is_mean then numerator end as numerator,
    case when not is_mean then denominator end as denominator,
    case when is_mean then list_avg(own_shares) else numerator / denominator end as result,
    case when is_mean then list_stddev_samp(own_shares) end as sd
from added_up
order by
    month,
    "group",
    definition,
    part;
