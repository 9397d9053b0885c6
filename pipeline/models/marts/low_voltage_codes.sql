-- The codes of each cluster that low supply voltage may explain.
-- grain: one row per scan x module x code
-- key: scan_key, module, code
-- kind: view
-- column run_number: run of showing the code that began in this scan, as in int_code_scans
-- column is_cluster: one matter with the scan's other codes
with codes as (
    select * from int_low_voltage_codes
),

scans as (
    select * from low_voltage_scans
),

joined as (
    select
        codes.scan_key,
        codes.van,
        codes.scanned_at,
        codes.module,
        codes.code,
        codes.run_number,
        scans.is_cluster
    from codes
    inner join scans on codes.scan_key = scans.scan_key
    where codes.is_first_of_run
)

select * from joined
