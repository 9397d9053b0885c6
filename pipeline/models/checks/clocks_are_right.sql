-- A scan is dated more than a day after its file was loaded.
-- severity: warn
-- remedy: Set the reader's clock, and withdraw and correct the file.
with scans as (
    select * from stg_scans
),

ahead as (
    select
        scan_key,
        van,
        reader,
        scanned_at
    from scans
    where is_ahead_of_load
)

select * from ahead
