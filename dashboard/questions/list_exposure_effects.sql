-- One row per exposure level and reading that was tested, the surest first.
with

tested as (
    select
        exposure_effects.attribute,
        exposure_effects.level,
        exposure_effects.level_name,
        exposure_effects.other_level,
        exposure_effects.other_level_name,
        exposure_effects.parameter,
        exposure_effects.state,
        coalesce(parameters.name, exposure_effects.parameter) as parameter_name,
        coalesce(states.name, exposure_effects.state) as state_name,
        exposure_effects.unit,
        parameters.resolution,
        parameters.smallest_useful,
        exposure_effects.effect,
        exposure_effects.shift,
        exposure_effects.shift_low,
        exposure_effects.shift_high,
        exposure_effects.p,
        exposure_effects.q,
        exposure_effects.n_vans,
        exposure_effects.n_vans_other,
        exposure_effects.n_cohorts,
        exposure_effects.n_pairs,
        exposure_effects.n_scans,
        exposure_effects.first_seen,
        exposure_effects.last_seen,
        exposure_effects.pair_shift,
        exposure_effects.pair_low,
        exposure_effects.pair_high,
        exposure_effects.pair_p,
        exposure_effects.twin_attribute,
        exposure_effects.twin_level
    from exposure_effects
    left join parameters on exposure_effects.parameter = parameters.parameter
    left join states on exposure_effects.state = states.state
    where exposure_effects.is_tested and exposure_effects.shift is not null
    order by
        exposure_effects.p,
        exposure_effects.attribute,
        exposure_effects.level,
        parameter_name,
        states.state_order
)

select * from tested
