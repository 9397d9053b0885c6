-- What each van cost and how long it stood, calendar year by calendar year.
-- Distance lies between the first and last trusted odometer of the year, summed over odometers that began afresh.
-- grain: one row per van x calendar year with scans or work
-- key: van, cost_year
-- kind: view
-- column cost_year: calendar year (UTC)
-- column n_work: entries in the work list, clearings and forgotten readers left out
-- column n_costed: of those, entries with a cost
-- column cost: sum of the costs written down (the fleet's own currency); null where none is
-- column n_standing: entries that say how long the van stood
-- column days_standing: sum of those days; null where no entry says
-- column km: distance covered between trusted odometers (km); null where there are fewer than two
with work as (
    select * from stg_work
),

odometers as (
    select * from int_odometers
),

work_years as (
    select
        work.van,
        year(work.at) as cost_year,
        count(*) as n_work,
        count(work.cost) as n_costed,
        sum(work.cost) as cost,
        count(work.days_standing) as n_standing,
        sum(work.days_standing) as days_standing
    from work
    where work.what not in ('cleared', 'reader_left_plugged')
    group by work.van, year(work.at)
),

series_years as (
    select
        van,
        series_number,
        year(scanned_at) as cost_year,
        max(odometer_km) - min(odometer_km) as km,
        count(*) as n_scans
    from odometers
    where not is_odd and not is_doubtful
    group by van, series_number, year(scanned_at)
),

km_years as (
    select
        van,
        cost_year,
        sum(case when n_scans > 1 then km end) as km
    from series_years
    group by van, cost_year
),

keys as (
    select van, cost_year
    from work_years
    union
    select van, cost_year
    from km_years
),

joined as (
    select
        keys.van,
        keys.cost_year,
        coalesce(work_years.n_work, 0) as n_work,
        coalesce(work_years.n_costed, 0) as n_costed,
        work_years.cost,
        coalesce(work_years.n_standing, 0) as n_standing,
        work_years.days_standing,
        km_years.km
    from keys
    left join work_years on keys.van = work_years.van and keys.cost_year = work_years.cost_year
    left join km_years on keys.van = km_years.van and keys.cost_year = km_years.cost_year
)

select * from joined
