-- Every scan: which van, which reader, when, and how much it brought.
-- grain: one row per scan
-- key: scan_key
-- kind: table
-- partition_by: scan_month
-- narrow_by: scan_key
-- column scan_id: the scan's own name, unique within a reader
-- column reader_version: version of the reader's software
-- column odometer_km: odometer at the scan (km); null where files disagree
-- column ambient_c: outside temperature (°C)
-- column rest_v: battery voltage at rest before the scan (V)
-- column standing_days: days the van had stood before the scan
-- column coverage_known: the scan says which modules answered, so an absent code means none there
-- column n_readings: reading rows that can be compared
-- column n_codes: fault codes shown
-- column n_modules_answered: modules that answered
-- column n_modules_silent: modules that were asked and did not answer
with scans as (
    select * from stg_scans
),

reading_counts as (
    select
        scan_key,
        cast(sum(n_rows) as bigint) as n_readings
    from int_scan_values
    group by scan_key
),

code_counts as (
    select
        scan_key,
        count(*) as n_codes
    from stg_codes
    where coalesce(status, 'unknown') not in ('not_tested', 'no_fault')
    group by scan_key
),

module_counts as (
    select
        scan_key,
        count(case when answered then 1 end) as n_modules_answered,
        count(case when not answered then 1 end) as n_modules_silent
    from stg_scan_modules
    group by scan_key
),

joined as (
    select
        scans.scan_key,
        scans.scan_id,
        scans.van,
        scans.reader,
        scans.reader_version,
        scans.scanned_at,
        scans.odometer_km,
        scans.ambient_c,
        scans.rest_v,
        scans.standing_days,
        scans.coverage_known,
        coalesce(reading_counts.n_readings, 0) as n_readings,
        coalesce(code_counts.n_codes, 0) as n_codes,
        coalesce(module_counts.n_modules_answered, 0) as n_modules_answered,
        coalesce(module_counts.n_modules_silent, 0) as n_modules_silent,
        scans.scan_month
    from scans
    left join reading_counts on scans.scan_key = reading_counts.scan_key
    left join code_counts on scans.scan_key = code_counts.scan_key
    left join module_counts on scans.scan_key = module_counts.scan_key
)

select * from joined
