-- The scan values whose variance is shared out: season, exposures and readers' updates taken off, readers left in.
-- grain: one row per scan x parameter x state within the last level_days
-- key: scan_key, parameter, state
-- kind: view
-- column value_shared: value less the effects of month, exposures and readers' updates (the parameter's unit)
-- column exposure_shift: what was taken off for exposures (the parameter's unit)
with levels as (
    select * from adjusted_levels
),

month_effects as (
    select * from computed.month_effects
),

exposure_shifts as (
    select * from int_exposure_shifts
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

shared as (
    select
        levels.scan_key,
        levels.van,
        levels.cohort_id,
        levels.family_id,
        levels.reader,
        levels.parameter,
        levels.state,
        levels.value - levels.update_shift - coalesce(month_effects.effect, 0)
        - coalesce(exposure_shifts.shift, 0) as value_shared,
        coalesce(exposure_shifts.shift, 0) as exposure_shift
    from levels
    inner join months on levels.scan_month = months.scan_month and months.in_level
    inner join scored_parameters on levels.parameter = scored_parameters.parameter
    inner join scored_states on levels.state = scored_states.state
    cross join fleet
    cross join settings
    left join month_effects
        on levels.parameter = month_effects.parameter
        and levels.state = month_effects.state
        and levels.family_id = month_effects.family_id
        and levels.scan_month = month_effects.month
    left join exposure_shifts
        on levels.van = exposure_shifts.van
        and levels.parameter = exposure_shifts.parameter
        and levels.state = exposure_shifts.state
        and cast(levels.scanned_at as date) >= exposure_shifts.span_from
        and cast(levels.scanned_at as date) < exposure_shifts.span_to
    where levels.scanned_at <= fleet.data_to
        and date_diff('day', cast(levels.scanned_at as date), cast(fleet.data_to as date)) <= settings.level_days
        and levels.cohort_id is not null
        and levels.reader is not null
        and levels.value is not null
)

select * from shared
