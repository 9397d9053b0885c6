-- How unsteady a reading was within a scan and state, and how far it went from one state to another within a scan; over
-- the level window of each van, readings worked out from others left out.
-- Few rows make a standard deviation too small on average by about 1 / (2 d) of its logarithm, d = rows - 1; that is
-- put right.
-- grain: one row per channel x scan x parameter x state
-- key: channel, scan_key, parameter, state
-- kind: table
-- column channel: spread or step
-- column value: spread: logarithm of the standard deviation of the rows (of the parameter's unit), never below what
--     the reading's smallest step alone gives; step: median in this state less that in the state before (the
--     parameter's unit)
with window_scans as (
    select
        *,
        cast(date_trunc('month', scanned_at) as date) as scan_month
    from int_window_scans
    where window_name = 'level' and reader is not null
),

months as (
    select * from int_window_months
),

scan_values as (
    select
        int_scan_values.scan_month,
        int_scan_values.scan_key,
        int_scan_values.parameter,
        int_scan_values.state,
        int_scan_values.value,
        int_scan_values.value_sd,
        int_scan_values.n_rows
    from int_scan_values
    inner join months on int_scan_values.scan_month = months.scan_month and months.in_level
),

known as (
    select * from vocab.parameters
),

state_steps as (
    select * from vocab.state_steps
),

physics as (
    select * from stg_physics
),

level_scans as (
    select
        window_scans.scan_month,
        window_scans.scan_key,
        window_scans.van,
        window_scans.cohort_id,
        window_scans.family_id,
        window_scans.reader,
        window_scans.scanned_at,
        window_scans.parameter,
        window_scans.state,
        scan_values.value,
        scan_values.value_sd,
        scan_values.n_rows
    from window_scans
    inner join scan_values
        on window_scans.scan_month = scan_values.scan_month
        and window_scans.scan_key = scan_values.scan_key
        and window_scans.parameter = scan_values.parameter
        and window_scans.state = scan_values.state
),

spreads as (
    select
        'spread' as channel,
        level_scans.scan_key,
        level_scans.van,
        level_scans.cohort_id,
        level_scans.family_id,
        level_scans.reader,
        level_scans.scanned_at,
        level_scans.parameter,
        level_scans.state,
        ln(greatest(level_scans.value_sd * level_scans.value_sd, known.resolution * known.resolution / 12.0)) / 2.0
        + 1.0 / nullif(2.0 * (level_scans.n_rows - 1), 0)
        + 1.0 / nullif(6.0 * (level_scans.n_rows - 1) * (level_scans.n_rows - 1), 0) as value
    from level_scans
    inner join known on level_scans.parameter = known.parameter and known.resolution > 0
    cross join physics
    where level_scans.n_rows >= physics.still_rows
),

steps as (
    select
        'step' as channel,
        level_scans.scan_key,
        level_scans.van,
        level_scans.cohort_id,
        level_scans.family_id,
        level_scans.reader,
        level_scans.scanned_at,
        level_scans.parameter,
        level_scans.state,
        level_scans.value - before.value as value
    from level_scans
    inner join state_steps on level_scans.state = state_steps.state
    inner join scan_values as before
        on level_scans.scan_month = before.scan_month
        and level_scans.scan_key = before.scan_key
        and level_scans.parameter = before.parameter
        and state_steps.from_state = before.state
),

together as (
    select * from spreads
    union all
    select * from steps
)

select * from together
