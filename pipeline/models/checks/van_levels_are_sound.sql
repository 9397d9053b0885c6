-- A van's level is a finite number where scans count, and none where none does.
-- severity: stop
-- remedy: Look at the scans of that van, parameter and state.
with levels as (
    select * from van_levels
),

unsound as (
    select
        van,
        parameter,
        state,
        window_name,
        y,
        m,
        s2
    from levels
    where (m > 0) <> (y is not null)
        or not coalesce(y between -1e300 and 1e300, true)
        or (m > 1) <> (s2 is not null)
        or not coalesce(s2 between 0 and 1e300, true)
)

select * from unsound
