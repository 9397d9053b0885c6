-- Every rule of an operating state uses a signal and an operator that int_instants knows, and has a bit to itself.
-- severity: stop
-- remedy: Give int_instants a column for the signal, or mend the rule.
with conditions as (
    select * from int_state_conditions
),

unknown as (
    select
        state,
        signal,
        operator,
        rule_number
    from conditions
    where signal not in (
        'engine_speed', 'vehicle_speed', 'pedal_position', 'engine_load', 'injection_quantity', 'coolant_temp',
        'run_time', 'acceleration_ms2'
    )
    or operator not in ('<', '<=', '>', '>=', '=')
    or rule_number > 60
)

select * from unknown
