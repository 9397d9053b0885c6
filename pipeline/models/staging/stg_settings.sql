-- The fleet's numeric settings side by side, so that a model can join them once.
-- grain: one row
-- kind: table
with settings as (
    select * from vocab.settings
),

wide as (
    select
        max(case when key = 'level_days' then value end) as level_days,
        max(case when key = 'recent_days' then value end) as recent_days,
        max(case when key = 'recent_scans' then value end) as recent_scans,
        max(case when key = 'earlier_days' then value end) as earlier_days,
        max(case when key = 'min_scans_after_work' then value end) as min_scans_after_work,
        max(case when key = 'carry_forward_s' then value end) as carry_forward_s,
        max(case when key = 'max_km_per_day' then value end) as max_km_per_day,
        max(case when key = 'odometer_slack_km' then value end) as odometer_slack_km,
        max(case when key = 'min_siblings' then value end) as min_siblings
    from settings
)

select * from wide
