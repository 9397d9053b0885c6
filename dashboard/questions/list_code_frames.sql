-- One row per reading and operating state of a code's freeze frames, those of most vans first.
with

framed as (
    select
        code_freeze_frames.state,
        coalesce(states.name, 'all frames together') as state_name,
        code_freeze_frames.parameter,
        parameters.name as parameter_name,
        parameters.unit,
        parameters.resolution,
        parameters.smallest_useful,
        code_freeze_frames.n_vans,
        code_freeze_frames.n_frames,
        code_freeze_frames.value,
        code_freeze_frames.value_low,
        code_freeze_frames.value_high,
        code_freeze_frames.n_fleet_vans,
        code_freeze_frames.fleet_value,
        code_freeze_frames.fleet_low,
        code_freeze_frames.fleet_high
    from code_freeze_frames
    inner join parameters on code_freeze_frames.parameter = parameters.parameter
    left join states on code_freeze_frames.state = states.state
    where
        code_freeze_frames.module = $module
        and code_freeze_frames.code = $code
        and code_freeze_frames.state <> 'unknown'
    order by
        code_freeze_frames.state = 'any', code_freeze_frames.n_vans desc, code_freeze_frames.state,
        array_position(
            ['engine_speed', 'engine_load', 'coolant_temp', 'vehicle_speed', 'supply_voltage'],
            code_freeze_frames.parameter
        ) nulls last,
        code_freeze_frames.parameter
)

select * from framed
