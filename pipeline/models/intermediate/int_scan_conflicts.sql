-- Fields of a scan on which files disagree.
-- grain: one row per scan x field
-- key: scan_key, field
-- kind: view
-- column field: the scan's column on which files disagree
with as_given as (
    select * from raw.scans
),

corrections as (
    select * from stg_scan_corrections
),

van_names as (
    select * from stg_van_names
),

rows_given as (
    select
        as_given.reader,
        as_given.scan_id,
        coalesce(corrections.van, van_names.van, as_given.van) as van,
        coalesce(corrections.scanned_at, as_given.scanned_at) as scanned_at,
        coalesce(corrections.odometer_km, as_given.odometer_km) as odometer_km,
        as_given.ambient_c,
        as_given.rest_v,
        as_given.standing_days
    from as_given
    left join corrections
        on as_given.reader = corrections.reader and as_given.scan_id = corrections.scan_id
    left join van_names on upper(translate(as_given.van, ' -.', '')) = van_names.name_folded
    where as_given.scan_id is not null and as_given.van is not null
        and as_given.reader is not null and as_given.scanned_at is not null
),

extremes as (
    select
        concat(reader, '/', scan_id) as scan_key,
        min(van) as van_low,
        max(van) as van_high,
        min(scanned_at) as scanned_at_low,
        max(scanned_at) as scanned_at_high,
        min(odometer_km) as odometer_low,
        max(odometer_km) as odometer_high,
        min(ambient_c) as ambient_low,
        max(ambient_c) as ambient_high,
        min(rest_v) as rest_low,
        max(rest_v) as rest_high,
        min(standing_days) as standing_low,
        max(standing_days) as standing_high
    from rows_given
    group by reader, scan_id
    having count(*) > 1
),

by_field as (
    select
        scan_key, 'van' as field,
        cast(null as double) as value, cast(null as double) as other_value,
        van_low as given, van_high as other_given
    from extremes
    where van_low <> van_high
    union all
    select
        scan_key, 'scanned_at' as field,
        cast(null as double) as value, cast(null as double) as other_value,
        cast(scanned_at_low as varchar) as given, cast(scanned_at_high as varchar) as other_given
    from extremes
    where scanned_at_low <> scanned_at_high
    union all
    select
        scan_key, 'odometer_km' as field, odometer_low as value, odometer_high as other_value,
        cast(null as varchar) as given, cast(null as varchar) as other_given
    from extremes
    where odometer_low <> odometer_high
    union all
    select
        scan_key, 'ambient_c' as field, ambient_low as value, ambient_high as other_value,
        cast(null as varchar) as given, cast(null as varchar) as other_given
    from extremes
    where ambient_low <> ambient_high
    union all
    select
        scan_key, 'rest_v' as field, rest_low as value, rest_high as other_value,
        cast(null as varchar) as given, cast(null as varchar) as other_given
    from extremes
    where rest_low <> rest_high
    union all
    select
        scan_key, 'standing_days' as field, standing_low as value, standing_high as other_value,
        cast(null as varchar) as given, cast(null as varchar) as other_given
    from extremes
    where standing_low <> standing_high
)

select * from by_field
