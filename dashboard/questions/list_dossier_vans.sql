-- One row per van of a group: register, mileage, scans, the codes on its last scan, and how it stands in one code and
-- one reading.
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
        min(first_seen_km) as noted_km
    from van_codes
    where code = $code and module is not distinct from $module
    group by van
),

-- Where the control unit did not note the mileage, that of the first scan with the code.
first_km as (
    select
        code_times.van,
        coalesce(min(code_times.noted_km), min(scans.odometer_km)) as first_seen_km
    from code_times
    left join scans on code_times.van = scans.van and code_times.first_seen = scans.scanned_at
    group by code_times.van
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

last_codes as (
    select
        members.van,
        list(distinct scan_codes.code order by scan_codes.code) as codes_now
    from members
    inner join scan_codes on members.van = scan_codes.van and members.last_scan_at = scan_codes.scanned_at
    where scan_codes.status not in ('not_tested', 'no_fault', 'healed')
    group by members.van
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
        first_km.first_seen_km as code_first_km,
        last_codes.codes_now,
        levels."value" as reading_value,
        levels.n_scans as reading_n_scans
    from members
    left join shown on members.van = shown.van
    left join code_times on members.van = code_times.van
    left join first_km on members.van = first_km.van
    left join levels on members.van = levels.van
    left join last_codes on members.van = last_codes.van
    order by members.van
)

select * from joined
