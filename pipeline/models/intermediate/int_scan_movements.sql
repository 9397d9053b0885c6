-- How unsteady a reading was within a scan and state, and how far it went from one state to another within a scan; over
-- the level window of each van, readings worked out from others left out.
-- Few rows make a standard deviation too small on average by about 1 / (2 d) of its logarithm, d = rows - 1; that is
-- put right.
-- grain: one row per channel x scan x parameter x state
-- key: channel, scan_no, cell_no
-- kind: table
-- column channel: spread or step
-- column scan_no: number of the scan
-- column cell_no: number of parameter and state
-- column value: spread: logarithm of the standard deviation of the rows (of the parameter's unit), never below what
--     the reading's smallest step alone gives; step: median in this state less that in the state before (the
--     parameter's unit)
with scan_values as (
    select
        scan_no,
        cell_no,
        value,
        value_sd,
        n_rows
    from int_numbered_values
    where not is_worked_out
),

scans as (
    select * from int_numbered_scans
),

cells as (
    select * from int_cells
),

bounds as (
    select * from int_window_bounds
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
        scan_values.scan_no,
        scan_values.cell_no,
        scan_values.value,
        scan_values.value_sd,
        scan_values.n_rows
    from scan_values
    inner join scans on scan_values.scan_no = scans.scan_no
    inner join bounds
        on scans.van_no = bounds.van_no
        and scan_values.cell_no = bounds.cell_no
        and scan_values.scan_no >= bounds.from_no
        and scan_values.scan_no <= bounds.to_no
    where bounds.window_name = 'level'
),

stepped_cells as (
    select
        cells.cell_no,
        before.cell_no as before_no
    from cells
    inner join state_steps on cells.state = state_steps.state
    inner join cells as before
        on cells.parameter = before.parameter and state_steps.from_state = before.state
),

spreads as (
    select
        'spread' as channel,
        level_scans.scan_no,
        level_scans.cell_no,
        ln(greatest(level_scans.value_sd * level_scans.value_sd, known.resolution * known.resolution / 12.0)) / 2.0
        + 1.0 / nullif(2.0 * (level_scans.n_rows - 1), 0)
        + 1.0 / nullif(6.0 * (level_scans.n_rows - 1) * (level_scans.n_rows - 1), 0) as value
    from level_scans
    inner join cells on level_scans.cell_no = cells.cell_no
    inner join known on cells.parameter = known.parameter and known.resolution > 0
    cross join physics
    where level_scans.n_rows >= physics.still_rows
),

steps as (
    select
        'step' as channel,
        level_scans.scan_no,
        level_scans.cell_no,
        level_scans.value - before.value as value
    from level_scans
    inner join stepped_cells on level_scans.cell_no = stepped_cells.cell_no
    inner join scan_values as before
        on level_scans.scan_no = before.scan_no and stepped_cells.before_no = before.cell_no
),

together as (
    select * from spreads
    union all
    select * from steps
)

select * from together
