-- One row per shown van x operating state or module that the fleet's scans know: how long ago it was last seen.
with

fleet_vans as (
    select * from vans
),

newest as (
    select data_to from builds
),

moments as (
    select distinct
        van,
        'state' as kind,
        state as name,
        scan_key,
        scanned_at,
        true as answered
    from scan_levels
    union all
    select
        van,
        'module' as kind,
        module as name,
        scan_key,
        scanned_at,
        answered
    from scan_modules
),

columns_known as (
    select distinct
        kind,
        name
    from moments
),

counted as (
    select
        van,
        kind,
        name,
        count(case when answered then 1 end) as n_scans,
        count(case when not answered then 1 end) as n_silent,
        max(case when answered then scanned_at end) as last_at
    from moments
    group by van, kind, name
),

crossed as (
    select
        fleet_vans.van,
        fleet_vans.cohort_id,
        fleet_vans.cohort,
        fleet_vans.depot,
        fleet_vans.out_of_service is not null as is_retired,
        columns_known.kind,
        columns_known.name,
        coalesce(counted.n_scans, 0) as n_scans,
        coalesce(counted.n_silent, 0) as n_silent,
        counted.last_at,
        date_diff('day', cast(counted.last_at as date), cast(newest.data_to as date)) as days
    from fleet_vans
    cross join columns_known
    cross join newest
    left join counted
        on fleet_vans.van = counted.van and columns_known.kind = counted.kind and columns_known.name = counted.name
),

-- Among the other vans of the group that are still in service.
compared as (
    select
        *,
        sum(case when is_retired then 0 else 1 end) over siblings - case when is_retired then 0 else 1 end as n_siblings,
        sum(case when not is_retired and days <= $recent_days then 1 else 0 end) over siblings
        - case when not is_retired and days <= $recent_days then 1 else 0 end as n_siblings_recent
    from crossed
    window siblings as (partition by cohort_id, kind, name)
),

shown as (
    select * from compared
    where van in (select unnest(cast($vans as varchar[])))
)

select * from shown
order by kind, name, van
