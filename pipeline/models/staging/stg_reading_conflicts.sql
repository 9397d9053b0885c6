-- Readings of which two files give different values for the same scan, parameter and moment.
-- grain: one row per scan x parameter x instant (x declared state where the row has no time)
-- key: scan_key, parameter, instant_s, state_when_untimed
-- kind: table
-- partition_by: scan_month
-- narrow_by: scan_key
-- column value: the lowest value given (the parameter's unit)
-- column other_value: the highest value given (the parameter's unit)
with readings as (
    select * from stg_reading_rows
),

-- Most scans come in one file: looking at whole scans first keeps the search small.
scans_in_several_files as (
    select
        scan_month,
        scan_key
    from readings
    group by scan_month, scan_key
    having min(file_id) <> max(file_id)
),

candidates as (
    select readings.*
    from stg_reading_rows as readings
    inner join scans_in_several_files as several
        on readings.scan_month = several.scan_month and readings.scan_key = several.scan_key
    where readings.quality = 'ok' and readings.value is not null
),

conflicts as (
    select
        scan_month,
        scan_key,
        parameter,
        instant_s,
        state_when_untimed,
        min(read_at) as read_at,
        min(value) as value,
        max(value) as other_value,
        arg_min(concat_ws(' ', value_given, unit_given), value) as given,
        arg_max(concat_ws(' ', value_given, unit_given), value) as other_given
    from candidates
    group by scan_month, scan_key, parameter, instant_s, state_when_untimed
    having min(file_id) <> max(file_id)
        and max(value) - min(value) > 1e-9 * greatest(abs(min(value)), abs(max(value)))
)

select * from conflicts
