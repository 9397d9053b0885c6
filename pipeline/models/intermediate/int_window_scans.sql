-- Which scans stand in which window of a van: level, recent and earlier.
-- level: the last level_days; recent: the newest recent_scans scans within recent_days; earlier: those before,
-- back to earlier_days. Each window starts after the newest work on that part that at least
-- min_scans_after_work of the window's scans follow, so work between earlier and recent parts the two.
-- grain: one row per window x scan x parameter x state
-- key: window_name, scan_key, parameter, state
-- kind: view
-- column window_name: level, recent or earlier
-- column reaches_days: how far back the window reaches from the end of the data (days)
with compared as (
    select * from int_compared_scans
),

settings as (
    select * from stg_settings
),

restarts as (
    select
        compared.van,
        compared.parameter,
        compared.state,
        max(case when compared.age_days <= settings.level_days then compared.epoch end) as level_epoch,
        max(case when compared.age_days <= settings.recent_days then compared.epoch end) as recent_epoch
    from int_compared_scans as compared
    cross join settings
    where compared.is_linked and compared.newest_rank = settings.min_scans_after_work
    group by compared.van, compared.parameter, compared.state
),

levels as (
    select
        'level' as window_name,
        settings.level_days as reaches_days,
        compared.*
    from compared
    cross join settings
    left join restarts
        on compared.van = restarts.van
        and compared.parameter = restarts.parameter
        and compared.state = restarts.state
    where compared.age_days <= settings.level_days
        and compared.epoch >= coalesce(restarts.level_epoch, 0)
),

recents as (
    select
        'recent' as window_name,
        settings.recent_days as reaches_days,
        compared.*
    from compared
    cross join settings
    left join restarts
        on compared.van = restarts.van
        and compared.parameter = restarts.parameter
        and compared.state = restarts.state
    where compared.is_linked
        and compared.age_days <= settings.recent_days
        and compared.newest_rank <= settings.recent_scans
        and compared.epoch >= coalesce(restarts.recent_epoch, 0)
),

recent_sizes as (
    select
        van,
        parameter,
        state,
        count(*) as n_recent
    from recents
    group by van, parameter, state
),

earlier_restarts as (
    select
        compared.van,
        compared.parameter,
        compared.state,
        max(compared.epoch) as earlier_epoch
    from int_compared_scans as compared
    inner join recent_sizes
        on compared.van = recent_sizes.van
        and compared.parameter = recent_sizes.parameter
        and compared.state = recent_sizes.state
    cross join settings
    where compared.is_linked
        and compared.age_days <= settings.earlier_days
        and compared.newest_rank = recent_sizes.n_recent + settings.min_scans_after_work
    group by compared.van, compared.parameter, compared.state
),

earliers as (
    select
        'earlier' as window_name,
        settings.earlier_days as reaches_days,
        compared.*
    from compared
    cross join settings
    inner join recent_sizes
        on compared.van = recent_sizes.van
        and compared.parameter = recent_sizes.parameter
        and compared.state = recent_sizes.state
    left join earlier_restarts
        on compared.van = earlier_restarts.van
        and compared.parameter = earlier_restarts.parameter
        and compared.state = earlier_restarts.state
    where compared.is_linked
        and compared.age_days <= settings.earlier_days
        and compared.newest_rank > recent_sizes.n_recent
        and compared.epoch >= coalesce(earlier_restarts.earlier_epoch, 0)
),

together as (
    select * from levels
    union all
    select * from recents
    union all
    select * from earliers
)

select * from together
