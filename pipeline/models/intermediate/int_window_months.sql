-- The months that the windows of the comparison reach: a fleet's history is long, and what is judged now is narrowed to
-- them before anything else is joined.
-- grain: one row per month of scans
-- key: scan_month
-- kind: table
-- column in_level: some of its scans lie within the last level_days
with scans as (
    select * from stg_scans
),

fleet as (
    select * from int_fleet
),

settings as (
    select * from stg_settings
),

aged as (
    select
        scans.scan_month,
        date_diff('day', cast(scans.scanned_at as date), cast(fleet.data_to as date)) as age_days
    from scans
    cross join fleet
    where scans.scanned_at <= fleet.data_to
),

reached as (
    select
        aged.scan_month,
        max(case when aged.age_days <= settings.level_days then 1 else 0 end) = 1 as in_level
    from aged
    cross join settings
    where aged.age_days <= greatest(settings.level_days, settings.recent_days, settings.earlier_days)
    group by aged.scan_month
)

select * from reached
