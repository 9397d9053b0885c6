-- One row per shown van: what it cost, how long it stood and how far it went, beside its siblings.
with

shown as (
    select
        van_costs.*,
        vans.cohort,
        vans.model_year,
        vans.age_years,
        vans.odometer_km,
        vans.n_scans,
        van_costs.cost_per_10000_km - van_costs.sibling_median as above_siblings
    from van_costs
    inner join vans on van_costs.van = vans.van
    where list_contains($vans, van_costs.van)
    order by above_siblings desc nulls last, van_costs.cost desc nulls last, van_costs.van
)

select * from shown
