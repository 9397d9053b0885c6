-- What each reader has shown of each parameter, month by month and family by family.
-- grain: one row per month x reader x family x parameter
-- key: scan_month, reader, family_id, parameter
-- kind: table
-- partition_by: scan_month
-- column family_id: the cohort without the model year; empty for vans that are not in the register
-- column n_scans: scans that showed the parameter in any state
with scan_values as (
    select * from int_scan_values
),

scans as (
    select * from stg_scans
),

vans as (
    select * from stg_vans
),

shown as (
    select distinct
        scan_month,
        scan_key,
        parameter
    from scan_values
),

counted as (
    select
        shown.scan_month,
        scans.reader,
        coalesce(vans.family_id, '') as family_id,
        shown.parameter,
        count(*) as n_scans
    from shown
    inner join scans on shown.scan_month = scans.scan_month and shown.scan_key = scans.scan_key
    left join vans on scans.van = vans.van
    group by shown.scan_month, scans.reader, coalesce(vans.family_id, ''), shown.parameter
)

select * from counted
