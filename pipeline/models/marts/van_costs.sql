-- What each van cost, how long it stood and how far it went over the last cost_days, beside its siblings.
-- Work before the van's first or after its last trusted odometer of the window has no distance to stand against and is
-- left out of the rates, not of the sums.
-- grain: one row per van
-- key: van
-- kind: table
-- column window_from: first day looked at
-- column window_to: last day looked at
-- column n_work: entries in the work list, clearings and forgotten readers left out
-- column n_costed: of those, entries with a cost
-- column cost: sum of the costs written down (the fleet's own currency); null where none is
-- column n_standing: entries that say how long the van stood
-- column days_standing: sum of those days; null where no entry says
-- column km: distance between the first and last trusted odometer (km); null where there are fewer than two
-- column n_work_driven: entries within the time of that distance
-- column cost_driven: cost of those entries (the fleet's own currency); null where none has one
-- column n_costed_driven: of those, entries with a cost
-- column days_driven: days standing of those entries; null where none says
-- column cost_per_10000_km: cost_driven per 10,000 km; null below min_cost_km
-- column work_per_10000_km: n_work_driven per 10,000 km; null below min_cost_km
-- column days_per_10000_km: days_driven per 10,000 km; null below min_cost_km
-- column n_siblings: siblings with a cost per 10,000 km
-- column sibling_median: median of their cost per 10,000 km; null with fewer than three
-- column sibling_low: the cheapest sibling's
-- column sibling_high: the dearest sibling's
-- column n_siblings_days: siblings with days standing per 10,000 km
-- column sibling_days: median of their days standing per 10,000 km; null with fewer than three
-- column sibling_days_low: the least of those
-- column sibling_days_high: the most of those
with vans as (
    select * from stg_vans
),

work as (
    select * from stg_work
),

odometers as (
    select * from int_odometers
),

fleet as (
    select * from int_fleet
),

settings as (
    select * from stg_repair_settings
),

bounds as (
    select
        cast(cast(fleet.data_to as date) - cast(round(settings.cost_days) as integer) as date) as window_from,
        cast(fleet.data_to as date) as window_to,
        settings.min_cost_km
    from fleet
    cross join settings
    where fleet.data_to is not null
),

jobs as (
    select
        work.van,
        work.at as worked_at,
        work.cost,
        work.days_standing
    from work
    cross join bounds
    where work.what not in ('cleared', 'reader_left_plugged')
        and cast(work.at as date) >= bounds.window_from
        and cast(work.at as date) <= bounds.window_to
),

sums as (
    select
        van,
        count(*) as n_work,
        count(cost) as n_costed,
        sum(cost) as cost,
        count(days_standing) as n_standing,
        sum(days_standing) as days_standing
    from jobs
    group by van
),

series as (
    select
        odometers.van,
        odometers.series_number,
        max(odometers.odometer_km) - min(odometers.odometer_km) as km,
        min(odometers.scanned_at) as first_at,
        max(odometers.scanned_at) as last_at,
        count(*) as n_scans
    from odometers
    cross join bounds
    where not odometers.is_odd
        and not odometers.is_doubtful
        and cast(odometers.scanned_at as date) >= bounds.window_from
        and cast(odometers.scanned_at as date) <= bounds.window_to
    group by odometers.van, odometers.series_number
),

distances as (
    select
        van,
        sum(km) as km,
        min(first_at) as first_at,
        max(last_at) as last_at
    from series
    where n_scans > 1
    group by van
),

driven as (
    select
        jobs.van,
        count(*) as n_work_driven,
        count(jobs.cost) as n_costed_driven,
        sum(jobs.cost) as cost_driven,
        sum(jobs.days_standing) as days_driven
    from jobs
    inner join distances on jobs.van = distances.van
    where jobs.worked_at >= distances.first_at and jobs.worked_at <= distances.last_at
    group by jobs.van
),

rates as (
    select
        vans.van,
        vans.cohort_id,
        bounds.window_from,
        bounds.window_to,
        coalesce(sums.n_work, 0) as n_work,
        coalesce(sums.n_costed, 0) as n_costed,
        sums.cost,
        coalesce(sums.n_standing, 0) as n_standing,
        sums.days_standing,
        distances.km,
        coalesce(driven.n_work_driven, 0) as n_work_driven,
        coalesce(driven.n_costed_driven, 0) as n_costed_driven,
        driven.cost_driven,
        driven.days_driven,
        case when distances.km >= bounds.min_cost_km then 10000.0 * driven.cost_driven / nullif(distances.km, 0) end
            as cost_per_10000_km,
        case
            when distances.km >= bounds.min_cost_km
                then 10000.0 * coalesce(driven.n_work_driven, 0) / nullif(distances.km, 0)
        end as work_per_10000_km,
        case when distances.km >= bounds.min_cost_km then 10000.0 * driven.days_driven / nullif(distances.km, 0) end
            as days_per_10000_km
    from vans
    cross join bounds
    left join sums on vans.van = sums.van
    left join distances on vans.van = distances.van
    left join driven on vans.van = driven.van
),

pairs as (
    select
        own.van,
        others.cost_per_10000_km,
        others.days_per_10000_km
    from rates as own
    inner join rates as others on own.cohort_id = others.cohort_id and own.van <> others.van
),

siblings as (
    select
        van,
        count(cost_per_10000_km) as n_siblings,
        median(cost_per_10000_km) as sibling_median,
        min(cost_per_10000_km) as sibling_low,
        max(cost_per_10000_km) as sibling_high,
        count(days_per_10000_km) as n_siblings_days,
        median(days_per_10000_km) as sibling_days,
        min(days_per_10000_km) as sibling_days_low,
        max(days_per_10000_km) as sibling_days_high
    from pairs
    group by van
),

joined as (
    select
        rates.*,
        coalesce(siblings.n_siblings, 0) as n_siblings,
        case when siblings.n_siblings >= 3 then siblings.sibling_median end as sibling_median,
        case when siblings.n_siblings >= 3 then siblings.sibling_low end as sibling_low,
        case when siblings.n_siblings >= 3 then siblings.sibling_high end as sibling_high,
        coalesce(siblings.n_siblings_days, 0) as n_siblings_days,
        case when siblings.n_siblings_days >= 3 then siblings.sibling_days end as sibling_days,
        case when siblings.n_siblings_days >= 3 then siblings.sibling_days_low end as sibling_days_low,
        case when siblings.n_siblings_days >= 3 then siblings.sibling_days_high end as sibling_days_high
    from rates
    left join siblings on rates.van = siblings.van
)

select * from joined
