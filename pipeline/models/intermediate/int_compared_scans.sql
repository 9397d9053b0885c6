-- The scan levels that can speak for a van: health parameters in comparable states, as far back as any window
-- reaches, in order of age and with the work that came before.
-- Readers that share no van with the readers of most siblings cannot be compared with them.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: table
-- column age_days: days from the scan to the end of the data
-- column is_linked: read by a reader that can be compared with those of most siblings
-- column epoch: pieces of work on that part before the scan
-- column newest_rank: 1 for the newest scan of the van with that parameter and state
with levels as (
    select * from adjusted_levels
),

months as (
    select * from int_window_months
),

settings as (
    select * from stg_settings
),

fleet as (
    select * from int_fleet
),

part_work as (
    select * from int_part_work
),

scored_parameters as (
    select parameter
    from vocab.parameters
    where role = 'health'
),

scored_states as (
    select state
    from vocab.states
    where is_comparable
),

aged as (
    select
        levels.scan_key,
        levels.van,
        levels.cohort_id,
        levels.family_id,
        levels.reader,
        levels.scanned_at,
        levels.parameter,
        levels.state,
        levels.value,
        levels.value_adjusted,
        levels.component,
        date_diff('day', cast(levels.scanned_at as date), cast(fleet.data_to as date)) as age_days,
        greatest(settings.level_days, settings.recent_days, settings.earlier_days) as horizon_days
    from levels
    inner join months on levels.scan_month = months.scan_month
    inner join scored_parameters on levels.parameter = scored_parameters.parameter
    inner join scored_states on levels.state = scored_states.state
    cross join fleet
    cross join settings
    where levels.scanned_at <= fleet.data_to
),

within_horizon as (
    select
        aged.*,
        coalesce(aged.cohort_id, '') as cohort_key
    from aged
    where aged.age_days <= aged.horizon_days
),

component_sizes as (
    select
        cohort_key,
        parameter,
        state,
        component,
        count(distinct van) as n_vans,
        count(*) as n_scans
    from within_horizon
    where component is not null
    group by cohort_key, parameter, state, component
),

main_components as (
    select
        cohort_key,
        parameter,
        state,
        component
    from component_sizes
    qualify row_number() over (
        partition by cohort_key, parameter, state order by n_vans desc, n_scans desc, component
    ) = 1
),

linked as (
    select
        within_horizon.*,
        coalesce(within_horizon.component = main_components.component, true) as is_linked
    from within_horizon
    left join main_components
        on within_horizon.cohort_key = main_components.cohort_key
        and within_horizon.parameter = main_components.parameter
        and within_horizon.state = main_components.state
),

work_before as (
    select
        linked.scan_key,
        linked.parameter,
        linked.state,
        max(part_work.work_number) as epoch
    from linked
    inner join part_work
        on linked.van = part_work.van
        and linked.parameter = part_work.parameter
        and linked.scanned_at >= part_work.at
    group by linked.scan_key, linked.parameter, linked.state
),

ranked as (
    select
        linked.scan_key,
        linked.van,
        linked.cohort_id,
        linked.family_id,
        linked.reader,
        linked.scanned_at,
        linked.parameter,
        linked.state,
        linked.value,
        linked.value_adjusted,
        linked.component,
        linked.age_days,
        linked.is_linked,
        coalesce(work_before.epoch, 0) as epoch,
        row_number() over (
            partition by linked.van, linked.parameter, linked.state, linked.is_linked
            order by linked.scanned_at desc, linked.scan_key desc
        ) as newest_rank
    from linked
    left join work_before
        on linked.scan_key = work_before.scan_key
        and linked.parameter = work_before.parameter
        and linked.state = work_before.state
)

select * from ranked
