-- What people corrected about a scan, the newest correction of each field.
-- grain: one row per corrected scan
-- key: reader, scan_id
-- kind: table
-- column van: the van it was really read on; null where that was right
-- column scanned_at: when it was really read (UTC); null where that was right
-- column odometer_km: what the odometer really showed (km); null where that was right
with corrections as (
    select * from raw.corrections
),

newest as (
    select
        reader,
        scan_id,
        field,
        value
    from corrections
    where reader is not null and scan_id is not null
    qualify row_number() over (
        partition by reader, scan_id, field order by corrected_at desc, entry desc
    ) = 1
),

by_scan as (
    select
        reader,
        scan_id,
        max(case when field = 'van' then value end) as van,
        max(case when field = 'scanned_at' then cast(value as timestamp) end) as scanned_at,
        max(case when field = 'odometer_km' then cast(value as double) end) as odometer_km
    from newest
    group by reader, scan_id
)

select * from by_scan
