-- The scan values that are compared, as numbers alone: text is joined once here and put back on what is summed up.
-- Beside each value stands how unsteady the reading was within the state, and how far it went from the state before.
-- Few rows make a standard deviation too small on average by about 1 / (2 d) of its logarithm, d = rows - 1; that is
-- put right.
-- grain: one row per scan x parameter x state, of the months that the windows reach
-- key: scan_no, cell_no
-- kind: table
-- partition_by: scan_month
-- column scan_no: number of the scan
-- column cell_no: number of parameter and state
-- column value: median of the rows, or worked out from such medians (the parameter's unit)
-- column value_min: lowest row (the parameter's unit); null where worked out
-- column value_max: highest row (the parameter's unit); null where worked out
-- column n_rows: reading rows behind the value
-- column is_worked_out: worked out from other readings of the scan
-- column spread: logarithm of the standard deviation of the rows (of the parameter's unit), never below what the
--     reading's smallest step alone gives; null with too few rows, without a known step and where worked out
-- column step: value less that in the state before (the parameter's unit); null without one and where worked out
with scan_values as (
    select * from int_scan_values
),

worked_out_values as (
    select * from int_worked_out_values
),

scans as (
    select * from int_scan_numbers
),

cells as (
    select * from int_cells
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

measures as (
    select
        cells.cell_no,
        cells.parameter,
        cells.state,
        before.cell_no as before_no,
        case when known.resolution > 0 then known.resolution * known.resolution / 12.0 end as least_variance
    from cells
    inner join known on cells.parameter = known.parameter
    left join state_steps on cells.state = state_steps.state
    left join cells as before
        on cells.parameter = before.parameter and state_steps.from_state = before.state
),

read_values as (
    select
        scans.scan_no,
        measures.cell_no,
        measures.before_no,
        measures.least_variance,
        scan_values.value,
        scan_values.value_min,
        scan_values.value_max,
        scan_values.value_sd,
        scan_values.n_rows,
        scans.scan_month
    from scan_values
    inner join scans
        on scan_values.scan_month = scans.scan_month and scan_values.scan_key = scans.scan_key
    inner join measures
        on scan_values.parameter = measures.parameter and scan_values.state = measures.state
),

moved as (
    select
        later.scan_no,
        later.cell_no,
        later.value,
        later.value_min,
        later.value_max,
        later.n_rows,
        false as is_worked_out,
        case
            when later.n_rows >= physics.still_rows and later.least_variance is not null
                then ln(greatest(later.value_sd * later.value_sd, later.least_variance)) / 2.0
                    + 1.0 / nullif(2.0 * (later.n_rows - 1), 0)
                    + 1.0 / nullif(6.0 * (later.n_rows - 1) * (later.n_rows - 1), 0)
        end as spread,
        later.value - earlier.value as step,
        later.scan_month
    from read_values as later
    cross join physics
    left join read_values as earlier
        on later.scan_no = earlier.scan_no and later.before_no = earlier.cell_no
),

worked_out as (
    select
        scans.scan_no,
        measures.cell_no,
        worked_out_values.value,
        cast(null as double) as value_min,
        cast(null as double) as value_max,
        worked_out_values.n_rows,
        true as is_worked_out,
        cast(null as double) as spread,
        cast(null as double) as step,
        scans.scan_month
    from worked_out_values
    inner join scans
        on worked_out_values.scan_month = scans.scan_month and worked_out_values.scan_key = scans.scan_key
    inner join measures
        on worked_out_values.parameter = measures.parameter and worked_out_values.state = measures.state
),

together as (
    select * from moved
    union all
    select * from worked_out
)

select * from together
