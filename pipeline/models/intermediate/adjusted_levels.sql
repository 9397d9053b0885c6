-- Scan levels with what season, reader and the reader's updates add taken off, as far as it could be estimated.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: view
-- column update_shift: what the reader's software updates added, 0 where none was shown (the parameter's unit)
-- column value_adjusted: value less update shift, month effect and reader effect (the parameter's unit)
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

reader_updates as (
    select * from computed.reader_updates
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
        coalesce(reader_updates.shift, 0) as update_shift,
        levels.value - coalesce(reader_updates.shift, 0) - coalesce(month_effects.effect, 0)
        - coalesce(reader_effects.effect, 0) as value_adjusted,
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
    left join reader_updates
        on levels.parameter = reader_updates.parameter
        and levels.state = reader_updates.state
        and levels.reader = reader_updates.reader
        and levels.reader_version = reader_updates.reader_version
)

select * from adjusted
