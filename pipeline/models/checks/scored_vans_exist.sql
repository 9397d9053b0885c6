-- Every van that is scored or found is one of the fleet's vans.
-- severity: stop
-- remedy: This is a fault of the build; build again with --full, and report it if it stays.
with named as (
    select van from sibling_scores
    union
    select van from findings
    where van is not null
),

strangers as (
    select named.van
    from named
    left join vans on named.van = vans.van
    where vans.van is null
)

select * from strangers
