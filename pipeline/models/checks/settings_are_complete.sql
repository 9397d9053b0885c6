-- Every setting that the models join is there.
-- severity: stop
-- remedy: Load the settings again; a new setting needs its line in stg_settings.
with settings as (
    select * from stg_settings
),

missing as (
    select *
    from settings
    where level_days is null
        or recent_days is null
        or recent_scans is null
        or earlier_days is null
        or min_scans_after_work is null
        or carry_forward_s is null
        or max_km_per_day is null
        or odometer_slack_km is null
        or min_siblings is null
)

select * from missing
