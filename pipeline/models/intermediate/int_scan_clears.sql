-- How long ago a scan's van had been cleared: by the van's own counters where they were read, else by the work list.
-- Too fresh is a scan less than 3 warm-ups or 50 km (settings) after a clearing: an absent code means nothing there.
-- Where no distance can be told, the first scan after a clearing is too fresh.
-- grain: one row per scan that follows a clearing or read the counters
-- key: scan_key
-- kind: table
-- column cleared_at: newest clearing of any code before the scan (UTC), by the work list
-- column km_since_clear: distance since then (km), by counter or odometer
-- column warmups_since_clear: warm-ups since then, by counter
-- column is_fresh: too soon after a clearing
with scans as (
    select * from stg_scans
),

clears as (
    select * from int_clears
),

odometers as (
    select * from int_odometers
),

rules as (
    select * from stg_code_settings
),

counters as (
    select
        scan_key,
        min(case when parameter = 'distance_since_clear' then value end) as counter_km,
        min(case when parameter = 'warmups_since_clear' then value end) as warmups_since_clear
    from int_scan_values
    where parameter in ('distance_since_clear', 'warmups_since_clear')
    group by scan_key
),

clear_moments as (
    select
        van,
        cleared_at,
        max(odometer_km) as odometer_km
    from clears
    group by van, cleared_at
),

newest_times as (
    select
        scans.scan_key,
        scans.van,
        max(clear_moments.cleared_at) as cleared_at
    from scans
    inner join clear_moments
        on scans.van = clear_moments.van and clear_moments.cleared_at <= scans.scanned_at
    group by scans.scan_key, scans.van
),

newest_clears as (
    select
        newest_times.scan_key,
        newest_times.cleared_at,
        clear_moments.odometer_km as clear_km
    from newest_times
    inner join clear_moments
        on newest_times.van = clear_moments.van and newest_times.cleared_at = clear_moments.cleared_at
),

joined as (
    select
        scans.scan_key,
        newest_clears.cleared_at,
        counters.warmups_since_clear,
        coalesce(
            counters.counter_km,
            case
                when odometers.odometer_km >= newest_clears.clear_km
                    and not odometers.is_odd
                    and not odometers.is_doubtful
                    then odometers.odometer_km - newest_clears.clear_km
            end
        ) as km_since_clear,
        row_number() over (
            partition by scans.van, newest_clears.cleared_at order by scans.scanned_at, scans.scan_key
        ) as place_after_clear
    from scans
    left join newest_clears on scans.scan_key = newest_clears.scan_key
    left join counters on scans.scan_key = counters.scan_key
    left join odometers on scans.scan_key = odometers.scan_key
    where newest_clears.scan_key is not null or counters.scan_key is not null
),

judged as (
    select
        joined.scan_key,
        joined.cleared_at,
        joined.km_since_clear,
        joined.warmups_since_clear,
        coalesce(joined.km_since_clear < rules.min_km_since_clear, false)
        or coalesce(joined.warmups_since_clear < rules.min_warmups_since_clear, false)
        or (
            joined.km_since_clear is null
            and joined.warmups_since_clear is null
            and joined.cleared_at is not null
            and joined.place_after_clear = 1
        ) as is_fresh
    from joined
    cross join rules
)

select * from judged
