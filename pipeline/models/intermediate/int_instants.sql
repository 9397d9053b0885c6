-- What the engine was doing at each moment of a scan, by the operating-state rules.
-- A signal read up to the carry-forward time earlier still counts.
-- grain: one row per scan x instant
-- key: scan_key, instant_s
-- kind: table
-- partition_by: scan_month
-- narrow_by: scan_key
-- column instant_s: seconds since 1970 of the instant; rows without a time share one
-- column state: by the rules; unknown where no engine speed was read, other where no rule holds
-- column ruled_out: bits of the rules that the signals read then rule out (missing signals do not)
with readings as (
    select * from stg_readings
),

conditions as (
    select * from int_state_conditions
),

settings as (
    select * from stg_settings
),

-- A rule about another signal needs that signal here, in `carried`, and wherever its neighbours stand below.
instants as (
    select
        scan_month,
        scan_key,
        instant_s,
        max(case when parameter = 'engine_speed' then value end) as engine_speed,
        max(case when parameter = 'vehicle_speed' then value end) as vehicle_speed,
        max(case when parameter = 'pedal_position' then value end) as pedal_position,
        max(case when parameter = 'engine_load' then value end) as engine_load,
        max(case when parameter = 'injection_quantity' then value end) as injection_quantity,
        max(case when parameter = 'coolant_temp' then value end) as coolant_temp,
        max(case when parameter = 'run_time' then value end) as run_time
    from readings
    group by scan_month, scan_key, instant_s
),

-- Time in units of the carry-forward time, so that one frame serves every setting.
timed as (
    select
        instants.*,
        case when instants.vehicle_speed is not null then instants.instant_s end as speed_read_s,
        instants.instant_s / greatest(settings.carry_forward_s, 0.001) as carry_time
    from instants
    cross join settings
),

neighbours as (
    select
        timed.*,
        lag(speed_read_s ignore nulls) over moments as before_s,
        lag(vehicle_speed ignore nulls) over moments as speed_before,
        lead(speed_read_s ignore nulls) over moments as after_s,
        lead(vehicle_speed ignore nulls) over moments as speed_after
    from timed
    window moments as (partition by scan_month, scan_key order by instant_s)
),

-- Over more than ten seconds a change of speed says nothing about the moment (proposal).
accelerated as (
    select
        neighbours.*,
        coalesce(
            case
                when instant_s - before_s <= 10.0
                    then (vehicle_speed - speed_before) / 3.6 / nullif(instant_s - before_s, 0)
            end,
            case
                when after_s - instant_s <= 10.0
                    then (speed_after - vehicle_speed) / 3.6 / nullif(after_s - instant_s, 0)
            end
        ) as acceleration_ms2
    from neighbours
),

carried as (
    select
        scan_month,
        scan_key,
        instant_s,
        last_value(engine_speed ignore nulls) over carry as engine_speed,
        last_value(vehicle_speed ignore nulls) over carry as vehicle_speed,
        last_value(pedal_position ignore nulls) over carry as pedal_position,
        last_value(engine_load ignore nulls) over carry as engine_load,
        last_value(injection_quantity ignore nulls) over carry as injection_quantity,
        last_value(coolant_temp ignore nulls) over carry as coolant_temp,
        last_value(run_time ignore nulls) over carry as run_time,
        last_value(acceleration_ms2 ignore nulls) over carry as acceleration_ms2
    from accelerated
    window carry as (
        partition by scan_month, scan_key order by carry_time
        range between 1.000001 preceding and current row
    )
),

-- Sensors give few distinct values, so each value is held against the rules once.
signal_values as (
    select
        'engine_speed' as signal,
        engine_speed as value
    from carried
    where engine_speed is not null
    union
    select
        'vehicle_speed' as signal,
        vehicle_speed as value
    from carried
    where vehicle_speed is not null
    union
    select
        'pedal_position' as signal,
        pedal_position as value
    from carried
    where pedal_position is not null
    union
    select
        'engine_load' as signal,
        engine_load as value
    from carried
    where engine_load is not null
    union
    select
        'injection_quantity' as signal,
        injection_quantity as value
    from carried
    where injection_quantity is not null
    union
    select
        'coolant_temp' as signal,
        coolant_temp as value
    from carried
    where coolant_temp is not null
    union
    select
        'run_time' as signal,
        run_time as value
    from carried
    where run_time is not null
    union
    select
        'acceleration_ms2' as signal,
        acceleration_ms2 as value
    from carried
    where acceleration_ms2 is not null
),

value_failures as (
    select
        signal_values.signal,
        signal_values.value,
        bit_or(case
            when conditions.operator = '<=' and signal_values.value <= conditions.threshold then 0
            when conditions.operator = '<' and signal_values.value < conditions.threshold then 0
            when conditions.operator = '>=' and signal_values.value >= conditions.threshold then 0
            when conditions.operator = '>' and signal_values.value > conditions.threshold then 0
            when conditions.operator = '=' and signal_values.value = conditions.threshold then 0
            else conditions.rule_bit
        end) as failures
    from signal_values
    inner join conditions on signal_values.signal = conditions.signal
    group by signal_values.signal, signal_values.value
),

missing as (
    select
        bit_or(case when signal = 'engine_speed' then missing_bit else 0 end) as engine_speed,
        bit_or(case when signal = 'vehicle_speed' then missing_bit else 0 end) as vehicle_speed,
        bit_or(case when signal = 'pedal_position' then missing_bit else 0 end) as pedal_position,
        bit_or(case when signal = 'engine_load' then missing_bit else 0 end) as engine_load,
        bit_or(case when signal = 'injection_quantity' then missing_bit else 0 end) as injection_quantity,
        bit_or(case when signal = 'coolant_temp' then missing_bit else 0 end) as coolant_temp,
        bit_or(case when signal = 'run_time' then missing_bit else 0 end) as run_time,
        bit_or(case when signal = 'acceleration_ms2' then missing_bit else 0 end) as acceleration_ms2
    from conditions
),

judged as (
    select
        carried.scan_month,
        carried.scan_key,
        carried.instant_s,
        carried.engine_speed is not null as has_engine_speed,
        coalesce(engine_speeds.failures, missing.engine_speed, 0)
        | coalesce(vehicle_speeds.failures, missing.vehicle_speed, 0)
        | coalesce(pedal_positions.failures, missing.pedal_position, 0)
        | coalesce(engine_loads.failures, missing.engine_load, 0)
        | coalesce(injection_quantities.failures, missing.injection_quantity, 0)
        | coalesce(coolant_temps.failures, missing.coolant_temp, 0)
        | coalesce(run_times.failures, missing.run_time, 0)
        | coalesce(accelerations.failures, missing.acceleration_ms2, 0) as failures,
        coalesce(engine_speeds.failures, 0)
        | coalesce(vehicle_speeds.failures, 0)
        | coalesce(pedal_positions.failures, 0)
        | coalesce(engine_loads.failures, 0)
        | coalesce(injection_quantities.failures, 0)
        | coalesce(coolant_temps.failures, 0)
        | coalesce(run_times.failures, 0)
        | coalesce(accelerations.failures, 0) as ruled_out
    from carried
    cross join missing
    left join value_failures as engine_speeds
        on engine_speeds.signal = 'engine_speed' and carried.engine_speed = engine_speeds.value
    left join value_failures as vehicle_speeds
        on vehicle_speeds.signal = 'vehicle_speed' and carried.vehicle_speed = vehicle_speeds.value
    left join value_failures as pedal_positions
        on pedal_positions.signal = 'pedal_position' and carried.pedal_position = pedal_positions.value
    left join value_failures as engine_loads
        on engine_loads.signal = 'engine_load' and carried.engine_load = engine_loads.value
    left join value_failures as injection_quantities
        on injection_quantities.signal = 'injection_quantity' and carried.injection_quantity = injection_quantities.value
    left join value_failures as coolant_temps
        on coolant_temps.signal = 'coolant_temp' and carried.coolant_temp = coolant_temps.value
    left join value_failures as run_times
        on run_times.signal = 'run_time' and carried.run_time = run_times.value
    left join value_failures as accelerations
        on accelerations.signal = 'acceleration_ms2' and carried.acceleration_ms2 = accelerations.value
),

failure_sets as (
    select distinct failures
    from judged
),

first_rules as (
    select
        failure_sets.failures,
        arg_min(conditions.state, conditions.rule_number) as state
    from failure_sets
    inner join conditions on failure_sets.failures & conditions.rule_bit = 0
    group by failure_sets.failures
),

labelled as (
    select
        judged.scan_key,
        judged.instant_s,
        case
            when not judged.has_engine_speed then 'unknown'
            else coalesce(first_rules.state, 'other')
        end as state,
        judged.ruled_out,
        judged.scan_month
    from judged
    left join first_rules on judged.failures = first_rules.failures
)

select * from labelled
