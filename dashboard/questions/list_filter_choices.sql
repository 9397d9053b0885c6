-- One row per filter and choice, with the number of vans it would leave.
with

models as (
    select
        'model' as filter,
        concat_ws(' ', make, model) as choice,
        count(*) as n_vans
    from vans
    group by all
),

model_years as (
    select
        'model_year' as filter,
        cast(model_year as varchar) as choice,
        count(*) as n_vans
    from vans
    where model_year is not null
    group by all
),

depots as (
    select
        'depot' as filter,
        depot as choice,
        count(*) as n_vans
    from vans
    where depot is not null
    group by all
),

-- an attribute with a different value on nearly every van (a plate, a colour code) is no use as a filter
exposures as (
    select
        'exposure' as filter,
        attribute || ': ' || value as choice,
        count(distinct van) as n_vans
    from van_exposures
    where is_current and value is not null
    group by attribute, value
    qualify count(*) over (partition by attribute) <= 30
),

readers as (
    select
        'reader' as filter,
        reader as choice,
        count(distinct van) as n_vans
    from scans
    where reader is not null
    group by all
),

choices as (
    select * from models
    union all
    select * from model_years
    union all
    select * from depots
    union all
    select * from exposures
    union all
    select * from readers
),

ordered as (
    select *
    from choices
    where choice <> ''
    order by filter, choice
)

select * from ordered
