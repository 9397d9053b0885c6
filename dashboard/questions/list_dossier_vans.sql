-- One row per van of a group: register, mileage, scans, and how it stands in one code and one reading.
with

members as (
    select
        vans.van,
        vans.vin,
        vans.in_service,
        vans.odometer_km,
        vans.n_scans,
        vans.last_scan_at
    from vans
    where vans.make is not distinct from $make
        and vans.model is not distinct from $model
        and vans.engine is not distinct from $engine
        and ($model_year is null or vans.model_year = $model_year)
),

shown as (
    select
        van,
        standing,
        n_present,
        n_scans
    from code_vans
    where code = $code and module is not distinct from $module
),

code_times as (
    select
        van,
        min(first_seen) as first_seen,
        max(last_seen) as last_seen,
        min(first_seen_km) as first_seen_km
    from van_codes
    where code = $code and module is not distinct from $module
    group by van
),

levels as (
    select
        van,
        "value",
        difference,
        sibling_low,
        sibling_high,
        n_scans,
        verdict
    from sibling_scores
    where channel = 'level' and parameter = $parameter and state = $state
),

joined as (
    select
        members.van,
        members.vin,
        members.in_service,
        members.odometer_km,
        members.n_scans,
        members.last_scan_at,
        shown.standing as code_standing,
        shown.n_present as code_n_present,
        shown.n_scans as code_n_scans,
        code_times.first_seen as code_first_seen,
        code_times.last_seen as code_last_seen,
        code_times.first_seen_km as code_first_km,
        levels."value" as reading_value,
        levels.n_scans as reading_n_scans
    from members
    left join shown on members.van = shown.van
    left join code_times on members.van = code_times.van
    left join levels on members.van = levels.van
    order by members.van
)

select * from joined
