-- One row: one van, its register entry and its coverage.
with

described as (
    select
        vans.van,
        vans.vin,
        vans.vin_status,
        vans.cohort,
        vans.cohort_id,
        vans.fuel,
        vans.depot,
        vans.in_service,
        vans.out_of_service,
        vans.age_years,
        vans.odometer_km,
        vans.n_scans,
        vans.first_scan_at,
        vans.last_scan_at,
        coverage.days_since_scan,
        coverage.n_readers,
        coverage.n_cells_scored,
        coverage.n_cells_not_judged,
        siblings.n_siblings
    from vans
    left join coverage on vans.van = coverage.van
    left join (
        select
            cohort_id,
            count(*) - 1 as n_siblings
        from vans
        group by cohort_id
    ) as siblings on vans.cohort_id = siblings.cohort_id
    where vans.van = $van
)

select * from described
