-- When codes were cleared, as the work list tells it, and where the odometer stood.
-- Without a figure of its own the odometer is taken on a straight line between the scans before and after.
-- grain: one row per van x time x code
-- key: van, cleared_at, code
-- kind: table
-- column cleared_at: time of the clearing (UTC)
-- column code: the code that was cleared; empty where all were, or none is named
-- column odometer_km: odometer at the clearing (km); null where nothing tells
-- column is_estimated: the odometer lies on a line between two scans
with work as (
    select * from stg_work
),

odometers as (
    select * from int_odometers
),

cleared as (
    select
        work.van,
        work.at as cleared_at,
        work.code,
        max(work.odometer_km) as odometer_km
    from work
    where work.what = 'cleared'
    group by work.van, work.at, work.code
),

moments as (
    select
        van,
        cleared_at,
        max(odometer_km) as odometer_km
    from cleared
    group by van, cleared_at
),

trusted as (
    select
        van,
        scanned_at,
        odometer_km,
        series_number
    from odometers
    where not is_odd and not is_doubtful
),

neighbours as (
    select
        moments.van,
        moments.cleared_at,
        max(case when trusted.scanned_at <= moments.cleared_at then trusted.scanned_at end) as before_at,
        min(case when trusted.scanned_at > moments.cleared_at then trusted.scanned_at end) as after_at
    from moments
    inner join trusted on moments.van = trusted.van
    group by moments.van, moments.cleared_at
),

lines as (
    select
        neighbours.van,
        neighbours.cleared_at,
        max(befores.odometer_km) + (max(afters.odometer_km) - max(befores.odometer_km))
        * date_diff('day', cast(max(neighbours.before_at) as date), cast(neighbours.cleared_at as date))
        / nullif(
            date_diff('day', cast(max(neighbours.before_at) as date), cast(max(neighbours.after_at) as date)), 0
        ) as odometer_km
    from neighbours
    inner join trusted as befores
        on neighbours.van = befores.van and neighbours.before_at = befores.scanned_at
    inner join trusted as afters
        on neighbours.van = afters.van
        and neighbours.after_at = afters.scanned_at
        and befores.series_number = afters.series_number
    group by neighbours.van, neighbours.cleared_at
),

placed as (
    select
        cleared.van,
        cleared.cleared_at,
        cleared.code,
        coalesce(moments.odometer_km, lines.odometer_km) as odometer_km,
        moments.odometer_km is null and lines.odometer_km is not null as is_estimated
    from cleared
    inner join moments on cleared.van = moments.van and cleared.cleared_at = moments.cleared_at
    left join lines on cleared.van = lines.van and cleared.cleared_at = lines.cleared_at
)

select * from placed
