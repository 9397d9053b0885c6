-- What a scan says of one parameter in one operating state: the median of its rows, with the van's cohort;
-- readings worked out from others stand beside those that were read.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: view
-- partition_by: scan_month
-- column reader_version: software of the reader at that scan; null where it was not said
-- column value: median of the rows, or worked out from such medians (the parameter's unit)
-- column n_rows: reading rows behind the value
-- column n_limit_rows: rows for which the reader showed a limit or a mark
-- column n_outside_rows: of those, rows outside the limit or marked so
-- column low: median of the lower limits the reader showed (the parameter's unit)
-- column high: median of the upper limits the reader showed (the parameter's unit)
with scan_values as (
    select * from int_scan_values
),

worked_out_values as (
    select * from int_worked_out_values
),

together as (
    select
        scan_month,
        scan_key,
        parameter,
        state,
        value,
        n_rows,
        n_limit_rows,
        n_outside_rows,
        low,
        high
    from scan_values
    union all
    select
        scan_month,
        scan_key,
        parameter,
        state,
        value,
        n_rows,
        cast(0 as bigint) as n_limit_rows,
        cast(0 as bigint) as n_outside_rows,
        cast(null as double) as low,
        cast(null as double) as high
    from worked_out_values
),

scans as (
    select * from stg_scans
),

vans as (
    select * from stg_vans
),

joined as (
    select
        together.scan_key,
        scans.van,
        vans.cohort_id,
        vans.family_id,
        scans.reader,
        scans.reader_version,
        scans.scanned_at,
        together.scan_month,
        together.parameter,
        together.state,
        together.value,
        together.n_rows,
        together.n_limit_rows,
        together.n_outside_rows,
        together.low,
        together.high
    from together
    inner join scans
        on together.scan_month = scans.scan_month and together.scan_key = scans.scan_key
    left join vans on scans.van = vans.van
)

select * from joined
