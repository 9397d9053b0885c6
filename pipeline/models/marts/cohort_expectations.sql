-- What was read on a whole cohort beside what physics expects of it: the middle van, and how many are plausible.
-- grain: one row per cohort x parameter x state
-- key: cohort_id, parameter, state
-- kind: table
-- column expected_by: the reading that tells what to expect
-- column relation: ratio (read over expected) or difference (read less expected)
-- column measured: median of the vans (the parameter's unit)
-- column expected: median of what is expected of them (the parameter's unit)
-- column departure: median ratio or difference of the vans
-- column departure_least: least ratio or difference of a van
-- column departure_most: greatest ratio or difference of a van
-- column low: least departure that is plausible
-- column high: greatest departure that is plausible
-- column n_vans: vans of which both are known
-- column n_vans_plausible: of those, vans within the bounds
-- column n_scans: scans behind it
-- column engine_speed_rpm: median engine speed of the vans in that state (rpm)
-- column cylinders: cylinders of the engine
-- column says: what is expected, in words
with van_rows as (
    select * from van_expectations
),

levels as (
    select * from van_levels
),

vans_registered as (
    select * from stg_vans
),

speeds as (
    select
        cohort_id,
        state,
        median(y_raw) as engine_speed_rpm
    from levels
    where parameter = 'engine_speed' and window_name = 'level' and cohort_id is not null
    group by cohort_id, state
),

engines as (
    select
        cohort_id,
        median(cylinders) as cylinders
    from vans_registered
    group by cohort_id
),

summed as (
    select
        cohort_id,
        min(family_id) as family_id,
        parameter,
        state,
        min(expected_by) as expected_by,
        min(relation) as relation,
        median(measured) as measured,
        median(expected) as expected,
        median(departure) as departure,
        min(departure) as departure_least,
        max(departure) as departure_most,
        min(low) as low,
        min(high) as high,
        count(*) as n_vans,
        count(case when is_plausible then 1 end) as n_vans_plausible,
        cast(sum(n_scans) as bigint) as n_scans,
        min(first_seen) as first_seen,
        max(last_seen) as last_seen,
        min(says) as says
    from van_rows
    where cohort_id is not null
    group by cohort_id, parameter, state
),

joined as (
    select
        summed.*,
        speeds.engine_speed_rpm,
        engines.cylinders
    from summed
    left join speeds on summed.cohort_id = speeds.cohort_id and summed.state = speeds.state
    left join engines on summed.cohort_id = engines.cohort_id
)

select * from joined
