-- What a scan says of one parameter in one operating state: the median of its rows, with the van's cohort.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: view
-- partition_by: scan_month
-- column value: median of the rows (the parameter's unit)
-- column n_rows: reading rows behind the value
-- column n_limit_rows: rows for which the reader showed a limit or a mark
-- column n_outside_rows: of those, rows outside the limit or marked so
-- column low: median of the lower limits the reader showed (the parameter's unit)
-- column high: median of the upper limits the reader showed (the parameter's unit)
with scan_values as (
    select * from int_scan_values
),

scans as (
    select * from stg_scans
),

vans as (
    select * from stg_vans
),

joined as (
    select
        scan_values.scan_key,
        scans.van,
        vans.cohort_id,
        vans.family_id,
        scans.reader,
        scans.scanned_at,
        scan_values.scan_month,
        scan_values.parameter,
        scan_values.state,
        scan_values.value,
        scan_values.n_rows,
        scan_values.n_limit_rows,
        scan_values.n_outside_rows,
        scan_values.low,
        scan_values.high
    from scan_values
    inner join scans
        on scan_values.scan_month = scans.scan_month and scan_values.scan_key = scans.scan_key
    left join vans on scans.van = vans.van
)

select * from joined
