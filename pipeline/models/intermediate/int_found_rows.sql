-- How many reading rows of a file belong to a scan that is known, so that few rows are looked at for those that wait.
-- grain: one row per scan x file
-- key: scan_key, file_id
-- kind: table
-- partition_by: scan_month
-- narrow_by: scan_key
-- column n_rows: reading rows
with readings as (
    select * from stg_reading_rows
),

counted as (
    select
        scan_month,
        scan_key,
        file_id,
        count(*) as n_rows
    from readings
    group by scan_month, scan_key, file_id
)

select * from counted
