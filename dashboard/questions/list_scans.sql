-- One row per scan of the shown vans, newest first.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

listed as (
    select
        scans.scanned_at,
        scans.van,
        scans.reader,
        scans.scan_id,
        scans.odometer_km,
        scans.n_readings,
        scans.n_codes,
        scans.n_modules_answered,
        scans.n_modules_silent,
        scans.coverage_known
    from scans
    inner join shown on scans.van = shown.van
    where (len($readers) = 0 or list_contains($readers, scans.reader))
        and (cast($date_from as date) is null or scans.scanned_at::date >= cast($date_from as date))
        and (cast($date_to as date) is null or scans.scanned_at::date <= cast($date_to as date))
    order by scans.scanned_at desc, scans.van
)

select * from listed
