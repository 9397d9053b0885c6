-- What was read on a van in a month, so that counting what was ever read need not go through all readings.
-- grain: one row per van x parameter x month
-- key: van, parameter, scan_month
-- kind: table
-- partition_by: scan_month
with scan_values as (
    select * from int_scan_values
),

scans as (
    select * from stg_scans
),

parameters_read as (
    select distinct
        scans.van,
        scan_values.parameter,
        scans.scan_month
    from scan_values
    inner join scans
        on scan_values.scan_month = scans.scan_month and scan_values.scan_key = scans.scan_key
)

select * from parameters_read
