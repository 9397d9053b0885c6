-- One row per van that passes the filters; an empty filter lets every van through.
with

exposed as (
    select
        van,
        count(distinct attribute) as n_attributes
    from van_exposures
    where is_current and list_contains($exposures, attribute || ': ' || value)
    group by van
),

scanned as (
    select distinct van
    from scans
    where (len($readers) = 0 or list_contains($readers, reader))
        and (cast($date_from as date) is null or scanned_at::date >= cast($date_from as date))
        and (cast($date_to as date) is null or scanned_at::date <= cast($date_to as date))
),

shown as (
    select
        vans.van,
        vans.make,
        vans.model,
        vans.model_year,
        vans.cohort_id,
        vans.cohort,
        vans.depot,
        vans.age_years,
        vans.odometer_km,
        vans.n_scans,
        vans.last_scan_at
    from vans
    left join exposed on vans.van = exposed.van
    where (len($models) = 0 or list_contains($models, concat_ws(' ', vans.make, vans.model)))
        and (len($model_years) = 0 or list_contains($model_years, vans.model_year))
        and (len($depots) = 0 or list_contains($depots, vans.depot))
        and (len($exposures) = 0 or exposed.n_attributes = $n_attributes)
        and (cast($age_from as double) is null or vans.age_years between $age_from and $age_to)
        and (cast($km_from as double) is null or vans.odometer_km between $km_from and $km_to)
        and (
            (len($readers) = 0 and cast($date_from as date) is null and cast($date_to as date) is null)
            or vans.van in (select van from scanned)
        )
    order by vans.cohort, vans.van
)

select * from shown
