-- One row per shown van: its last 30 scan values of this reading within a year of the newest data, oldest first.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

recent as (
    select
        scan_levels.van,
        scan_levels.scanned_at,
        scan_levels.value
    from scan_levels
    inner join shown on scan_levels.van = shown.van
    cross join builds
    where scan_levels.parameter = $parameter
        and scan_levels.state = $state
        and scan_levels.value is not null
        and scan_levels.scanned_at > builds.data_to - interval 365 days
    qualify row_number() over (partition by scan_levels.van order by scan_levels.scanned_at desc) <= 30
),

lines as (
    select
        van,
        list("value" order by scanned_at) as scan_values
    from recent
    group by van
)

select * from lines
