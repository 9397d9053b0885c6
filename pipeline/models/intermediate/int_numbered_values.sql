-- The scan values that are compared, as numbers alone: text is joined once here and put back on what is summed up.
-- grain: one row per scan x parameter x state within the farthest window
-- key: scan_no, cell_no
-- kind: table
-- column scan_no: number of the scan
-- column cell_no: number of parameter and state
-- column value: median of the rows, or worked out from such medians (the parameter's unit)
-- column value_min: lowest row (the parameter's unit); null where worked out
-- column value_max: highest row (the parameter's unit); null where worked out
-- column value_sd: standard deviation of the rows (the parameter's unit); null below two rows and where worked out
-- column n_rows: reading rows behind the value
-- column is_worked_out: worked out from other readings of the scan
with scan_values as (
    select * from int_scan_values
),

worked_out_values as (
    select * from int_worked_out_values
),

scans as (
    select * from int_numbered_scans
),

cells as (
    select * from int_cells
),

together as (
    select
        scan_key,
        parameter,
        state,
        value,
        value_min,
        value_max,
        value_sd,
        n_rows,
        false as is_worked_out
    from scan_values
    union all
    select
        scan_key,
        parameter,
        state,
        value,
        cast(null as double) as value_min,
        cast(null as double) as value_max,
        cast(null as double) as value_sd,
        n_rows,
        true as is_worked_out
    from worked_out_values
),

numbered as (
    select
        scans.scan_no,
        cells.cell_no,
        together.value,
        together.value_min,
        together.value_max,
        together.value_sd,
        together.n_rows,
        together.is_worked_out
    from together
    inner join scans on together.scan_key = scans.scan_key
    inner join cells on together.parameter = cells.parameter and together.state = cells.state
)

select * from numbered
