-- Every reading row as given, beside the scan it belongs to, whether or not it can be compared.
-- grain: one row per row of a readings file
-- kind: view
-- partition_by: scan_month
-- narrow_by: scan_key
-- changed: select distinct scan_month, scan_key from stg_scans
--     where scan_id in (select scan_id from raw.readings where batch_id > @last_batch)
-- column instant_s: seconds since 1970 of the instant; rows without a time share one instant far from all others
-- column state_when_untimed: the declared state of a row without a time, which then tells moments apart
with readings as (
    select * from raw.readings
),

scans as (
    select * from stg_scans
),

joined as (
    select
        scans.scan_month,
        scans.scan_key,
        scans.van,
        scans.reader,
        scans.is_contradicted,
        coalesce(readings.at_s, -1000000.0) as instant_s,
        readings.at as read_at,
        readings.parameter,
        readings.value,
        readings.low,
        readings.high,
        readings.mark,
        readings.state as state_declared,
        case when readings.at_s is null then coalesce(readings.state, '') else '' end as state_when_untimed,
        readings.quality,
        readings.value_given,
        readings.unit_given,
        readings.file_id
    from readings
    inner join scans
        on readings.scan_id = scans.scan_id
        and (readings.reader = scans.reader or (readings.reader is null and scans.n_readers_of_id = 1))
)

select * from joined
