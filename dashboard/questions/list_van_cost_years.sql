-- One row per calendar year of one van.
with

years as (
    select
        cost_year,
        n_work,
        n_costed,
        cost,
        n_standing,
        days_standing,
        km
    from van_cost_years
    where van = $van
    order by cost_year
)

select * from years
