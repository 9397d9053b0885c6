-- Readings that can be compared: usable values that no other file contradicts, and the battery's rest voltage.
-- grain: one row per usable reading row
-- kind: view
-- partition_by: scan_month
-- narrow_by: scan_key
with readings as (
    select * from stg_reading_rows
),

conflicts as (
    select * from stg_reading_conflicts
),

scans as (
    select * from stg_scans
),

parameters as (
    select * from vocab.parameters
),

sentinels as (
    select * from vocab.parameter_sentinels
),

usable as (
    select
        readings.scan_month,
        readings.scan_key,
        readings.instant_s,
        readings.parameter,
        readings.value,
        readings.low,
        readings.high,
        readings.mark,
        readings.state_declared
    from readings
    left join conflicts
        on readings.scan_month = conflicts.scan_month
        and readings.scan_key = conflicts.scan_key
        and readings.parameter = conflicts.parameter
        and readings.instant_s = conflicts.instant_s
        and readings.state_when_untimed = conflicts.state_when_untimed
    where readings.quality = 'ok'
        and readings.value between -1e300 and 1e300
        and not readings.is_contradicted
        and conflicts.scan_key is null
),

-- The rest voltage stands in the scan's own row; from here on it is a reading like any other.
rest_voltages as (
    select
        scans.scan_month,
        scans.scan_key,
        -1000000.0 as instant_s,
        parameters.parameter,
        scans.rest_v as value,
        cast(null as double) as low,
        cast(null as double) as high,
        cast(null as varchar) as mark,
        'engine_off' as state_declared
    from scans
    inner join parameters
        on parameters.parameter = 'battery_rest_voltage'
        and scans.rest_v between parameters.plausible_low and parameters.plausible_high
    left join sentinels
        on parameters.parameter = sentinels.parameter and scans.rest_v = sentinels.value
    where not scans.is_contradicted and sentinels.value is null
),

together as (
    select * from usable
    union all
    select * from rest_voltages
)

select * from together
