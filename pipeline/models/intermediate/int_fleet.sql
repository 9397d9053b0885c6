-- The time up to which the fleet's scans reach.
-- A few scans dated far ahead of all others and of their own loading come from a wrong clock and do not move it.
-- grain: one row
-- kind: table
-- column data_to: time of the newest scan that counts (UTC)
with scans as (
    select * from stg_scans
),

settings as (
    select * from stg_settings
),

ordered as (
    select
        scanned_at,
        is_ahead_of_load,
        lag(scanned_at) over (order by scanned_at) as before_at,
        row_number() over (order by scanned_at) as place,
        count(*) over () as n_scans
    from scans
),

-- Ahead by more than a level window, and fewer than one scan in twenty (proposal).
leaps as (
    select ordered.place
    from ordered
    cross join settings
    where ordered.is_ahead_of_load
        and date_diff('day', cast(ordered.before_at as date), cast(ordered.scanned_at as date))
        > settings.level_days
        and (ordered.n_scans - ordered.place + 1) * 20 < ordered.n_scans
),

first_leap as (
    select min(place) as place
    from leaps
),

newest as (
    select max(ordered.scanned_at) as data_to
    from ordered
    cross join first_leap
    where ordered.place < coalesce(first_leap.place, ordered.n_scans + 1)
)

select * from newest
