-- One row per shown van (or per scan of one) with a reading and what it is held against, and the bin it falls into.
-- $against is age (years), odometer (km), date (days since 2000) or other (a second reading of the same scan). With
-- $dots = van a van counts once, by the medians of its last year; with scan every scan counts.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

data_end as (
    select max(data_to) as data_to
    from builds
),

other_values as (
    select
        scan_key,
        "value"
    from scan_levels
    where parameter = $other_parameter and state = $other_state
),

scan_rows as (
    select
        scan_levels.van,
        vans.cohort_id,
        vans.cohort,
        scan_levels.scanned_at,
        scan_levels."value" as y,
        case $against
            when 'age'
                then vans.age_years
                    - date_diff('day', cast(scan_levels.scanned_at as date), cast(data_end.data_to as date)) / 365.25
            when 'odometer' then scans.odometer_km
            when 'date' then date_diff('day', date '2000-01-01', cast(scan_levels.scanned_at as date))
            else other_values."value"
        end as x,
        date_diff('day', cast(scan_levels.scanned_at as date), cast(data_end.data_to as date)) <= 365 as is_recent
    from scan_levels
    inner join shown on scan_levels.van = shown.van
    inner join vans on scan_levels.van = vans.van
    left join scans on scan_levels.scan_key = scans.scan_key
    left join other_values on scan_levels.scan_key = other_values.scan_key
    cross join data_end
    where scan_levels.parameter = $parameter
        and scan_levels.state = $state
        and scan_levels."value" is not null
        and scan_levels.scanned_at <= data_end.data_to
),

points as (
    select
        van,
        cohort_id,
        cohort,
        max(scanned_at) as scanned_at,
        median(x) as x,
        median(y) as y,
        count(*) as n_scans
    from scan_rows
    where $dots = 'van' and is_recent and x is not null
    group by van, cohort_id, cohort
    union all
    select
        van,
        cohort_id,
        cohort,
        scanned_at,
        x,
        y,
        1 as n_scans
    from scan_rows
    where $dots = 'scan' and x is not null
),

-- At most six bins with as many points each, and at least five vans to a bin on average.
sizes as (
    select
        count(*) as n_points,
        greatest(1, least(6, floor(count(distinct van) / 5))) as n_bins
    from points
),

placed as (
    select
        points.*,
        floor((row_number() over (order by points.x, points.van, points.scanned_at) - 1)
            * sizes.n_bins / sizes.n_points) as bin
    from points
    cross join sizes
),

-- The van is the unit: however often it was scanned, it counts once in a bin.
vans_in_bins as (
    select
        bin,
        van,
        median(x) as x,
        median(y) as y,
        sum(n_scans) as n_scans
    from placed
    group by bin, van
),

bins as (
    select
        bin,
        median(x) as bin_x,
        median(y) as middle,
        quantile_cont(y, 0.1) as low,
        quantile_cont(y, 0.9) as high,
        count(*) as n_vans,
        sum(n_scans) as n_bin_scans
    from vans_in_bins
    group by bin
),

smoothed as (
    select
        bin,
        bin_x,
        sum(middle * n_vans) over near / sum(n_vans) over near as bin_middle,
        sum(low * n_vans) over near / sum(n_vans) over near as bin_low,
        sum(high * n_vans) over near / sum(n_vans) over near as bin_high,
        n_vans as bin_vans,
        n_bin_scans as bin_scans
    from bins
    window near as (order by bin rows between 1 preceding and 1 following)
)

select
    placed.van,
    placed.cohort_id,
    placed.cohort,
    placed.scanned_at,
    cast(placed.x as double) as x,
    placed.y,
    cast(placed.n_scans as bigint) as n_scans,
    cast(placed.bin as bigint) as bin,
    cast(smoothed.bin_x as double) as bin_x,
    smoothed.bin_middle,
    smoothed.bin_low,
    smoothed.bin_high,
    smoothed.bin_vans,
    cast(smoothed.bin_scans as bigint) as bin_scans
from placed
inner join smoothed on placed.bin = smoothed.bin
order by placed.x, placed.van, placed.scanned_at
