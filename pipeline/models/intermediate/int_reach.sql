-- The months that the windows of the comparison reach: what is older is judged nowhere.
-- grain: one row; none without scans
-- kind: table
-- column from_month: first day of the month in which the farthest window begins
-- column to_month: first day of the month in which the data end
-- column room: numbers kept for the scans of one month: those of the fullest, in full thousands
with fleet as (
    select * from int_fleet
),

settings as (
    select * from stg_settings
),

scans as (
    select * from stg_scans
),

months as (
    select
        cast(date_trunc('month', cast(fleet.data_to as date) - cast(ceil(
            greatest(settings.level_days, settings.recent_days, settings.earlier_days)
        ) as integer)) as date) as from_month,
        cast(date_trunc('month', fleet.data_to) as date) as to_month
    from fleet
    cross join settings
    where fleet.data_to is not null
),

scan_counts as (
    select
        scan_month,
        count(*) as n_scans
    from scans
    group by scan_month
),

reach as (
    select
        months.from_month,
        months.to_month,
        cast(ceil(max(scan_counts.n_scans) / 1000.0) as integer) * 1000 as room
    from months
    cross join scan_counts
    group by months.from_month, months.to_month
)

select * from reach
