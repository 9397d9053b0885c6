-- When a code sets: what its freeze frames have in common over the fleet, beside what the same vans' siblings
-- usually show in that operating state. One value per van, so that a van with many frames weighs no more.
-- grain: one row per module x code x state x parameter
-- key: module, code, state, parameter
-- kind: table
-- column state: operating state of the frames; any for all of them together
-- column n_vans: vans with such a frame
-- column n_frames: frames behind it, one per showing of the code
-- column value: median of the vans' medians (the parameter's unit)
-- column value_low: lower quartile over vans (the parameter's unit)
-- column value_high: upper quartile over vans (the parameter's unit)
-- column n_fleet_vans: vans of the same cohorts with a level of the last year in that state; 0 for any
-- column fleet_value: median of their levels (the parameter's unit); null where there is none
-- column fleet_low: lower quartile of their levels (the parameter's unit)
-- column fleet_high: upper quartile of their levels (the parameter's unit)
with frames as (
    select * from int_code_frames
),

vans as (
    select * from stg_vans
),

levels as (
    select * from van_levels
),

twice as (
    select
        van,
        module,
        code,
        state,
        parameter,
        value
    from frames
    union all
    select
        van,
        module,
        code,
        'any' as state,
        parameter,
        value
    from frames
),

van_values as (
    select
        van,
        module,
        code,
        state,
        parameter,
        count(*) as n_frames,
        median(value) as value
    from twice
    group by van, module, code, state, parameter
),

pooled as (
    select
        module,
        code,
        state,
        parameter,
        count(*) as n_vans,
        cast(sum(n_frames) as bigint) as n_frames,
        median(value) as value,
        quantile_cont(value, 0.25) as value_low,
        quantile_cont(value, 0.75) as value_high
    from van_values
    group by module, code, state, parameter
),

cohorts_with as (
    select distinct
        frames.module,
        frames.code,
        vans.cohort_id
    from frames
    inner join vans on frames.van = vans.van
),

fleet_levels as (
    select
        cohorts_with.module,
        cohorts_with.code,
        levels.state,
        levels.parameter,
        count(*) as n_fleet_vans,
        median(levels.y_raw) as fleet_value,
        quantile_cont(levels.y_raw, 0.25) as fleet_low,
        quantile_cont(levels.y_raw, 0.75) as fleet_high
    from cohorts_with
    inner join vans on cohorts_with.cohort_id = vans.cohort_id
    inner join levels on vans.van = levels.van
    where levels.window_name = 'level' and levels.y_raw is not null
    group by cohorts_with.module, cohorts_with.code, levels.state, levels.parameter
),

joined as (
    select
        pooled.module,
        pooled.code,
        pooled.state,
        pooled.parameter,
        pooled.n_vans,
        pooled.n_frames,
        pooled.value,
        pooled.value_low,
        pooled.value_high,
        coalesce(fleet_levels.n_fleet_vans, 0) as n_fleet_vans,
        fleet_levels.fleet_value,
        fleet_levels.fleet_low,
        fleet_levels.fleet_high
    from pooled
    left join fleet_levels
        on pooled.module = fleet_levels.module
        and pooled.code = fleet_levels.code
        and pooled.state = fleet_levels.state
        and pooled.parameter = fleet_levels.parameter
)

select * from joined
