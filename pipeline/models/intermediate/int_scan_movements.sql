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
with scans as (
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
    from int_numbered_values as scan_values
    inner join scans on scan_values.scan_no = scans.scan_no
    inner join bounds
        on scans.van_no = bounds.van_no
        and scan_values.cell_no = bounds.cell_no
        and scan_values.scan_no >= bounds.from_no
        and scan_values.scan_no <= bounds.to_no
    where bounds.window_name = 'level' and not scan_values.is_worked_out
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

-- Both sides are cut to what may meet before they are joined.
reach as (
    select min(from_no) as from_no
    from bounds
    where window_name = 'level'
),

befores as (
    select
        scan_values.scan_no,
        stepped_cells.cell_no,
        scan_values.value
    from int_numbered_values as scan_values
    inner join stepped_cells on scan_values.cell_no = stepped_cells.before_no
    cross join reach
    where scan_values.scan_no >= reach.from_no and not scan_values.is_worked_out
),

later_cells as (
    select distinct cell_no
    from stepped_cells
),

laters as (
    select
        level_scans.scan_no,
        level_scans.cell_no,
        level_scans.value
    from level_scans
    inner join later_cells on level_scans.cell_no = later_cells.cell_no
),

steps as (
    select
        'step' as channel,
        laters.scan_no,
        laters.cell_no,
        laters.value - befores.value as value
    from laters
    inner join befores on laters.scan_no = befores.scan_no and laters.cell_no = befores.cell_no
),

together as (
    select * from spreads
    union all
    select * from steps
)

select * from together
