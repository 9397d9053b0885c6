-- Scan levels with the season's and the reader's share taken off, as far as they could be estimated.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: view
-- column value_adjusted: value less month effect and reader effect (the parameter's unit)
-- column component: readers with one component can be told apart through vans they share; null = no estimate
with levels as (
    select * from scan_levels
),

month_effects as (
    select * from computed.month_effects
),

reader_effects as (
    select * from computed.reader_effects
),

adjusted as (
    select
        levels.scan_key,
        levels.van,
        levels.cohort_id,
        levels.family_id,
        levels.reader,
        levels.scanned_at,
        levels.scan_month,
        levels.parameter,
        levels.state,
        levels.value,
        levels.value - coalesce(month_effects.effect, 0) - coalesce(reader_effects.effect, 0) as value_adjusted,
        reader_effects.component
    from levels
    left join month_effects
        on levels.parameter = month_effects.parameter
        and levels.state = month_effects.state
        and levels.family_id = month_effects.family_id
        and levels.scan_month = month_effects.month
    left join reader_effects
        on levels.parameter = reader_effects.parameter
        and levels.state = reader_effects.state
        and levels.reader = reader_effects.reader
)

select * from adjusted
