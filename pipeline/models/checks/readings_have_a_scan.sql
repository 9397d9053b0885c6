-- Readings wait for their scan: no row of a scans table tells of it yet.
-- severity: warn
-- remedy: Load the scans table that goes with that file.
with readings as (
    select * from raw.readings
),

scans as (
    select * from stg_scans
),

waiting as (
    select
        readings.scan_id,
        readings.reader,
        min(readings.file_id) as file_id,
        count(*) as n_rows
    from readings
    left join scans
        on readings.scan_id = scans.scan_id
        and (readings.reader = scans.reader or (readings.reader is null and scans.n_readers_of_id = 1))
    where scans.scan_key is null
    group by readings.scan_id, readings.reader
)

select * from waiting
