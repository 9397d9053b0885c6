-- Taking season and reader off a level neither loses nor doubles it.
-- severity: stop
-- remedy: Look for effects with two rows for one parameter, state and month or reader.
with counted as (
    select
        (select count(*) from scan_levels) as n_levels,
        (select count(*) from adjusted_levels) as n_adjusted
),

unequal as (
    select
        n_levels,
        n_adjusted
    from counted
    where n_levels <> n_adjusted
)

select * from unequal
