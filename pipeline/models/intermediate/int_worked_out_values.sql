-- Readings worked out from others of the same scan and operating state: air an engine should draw, fill index,
-- pressure differences, charge of the battery and the like. Formulas, units and when each is silent stand in the
-- vocabulary (worked_out); a reading that the reader shows itself is not worked out again.
-- grain: one row per scan x parameter x state
-- key: scan_key, parameter, state
-- kind: table
-- partition_by: scan_month
-- column value: worked out from the medians of the state's rows (the parameter's unit)
-- column n_rows: the fewest rows behind one of the state's readings
with scan_values as (
    select * from int_scan_values
),

scans as (
    select * from stg_scans
),

vans as (
    select * from stg_vans
),

physics as (
    select * from stg_physics
),

parameters as (
    select * from vocab.parameters
),

worked_out_states as (
    select * from vocab.worked_out_states
),

battery_charges as (
    select * from vocab.battery_charges
),

cranking_floors as (
    select * from vocab.cranking_floors
),

fuel_words as (
    select * from vocab.fuel_words
),

fuels as (
    select
        vans.van,
        max(case when fuel_words.fuel = 'diesel' then 1 else 0 end) as is_diesel,
        max(case when fuel_words.fuel = 'petrol' then 1 else 0 end) as is_petrol
    from vans
    inner join fuel_words on strpos(lower(vans.fuel), fuel_words.word) > 0
    group by vans.van
),

-- What was read, side by side.
side_by_side as (
    select
        scan_month,
        scan_key,
        state,
        min(n_rows) as n_rows,
        max(case when parameter = 'engine_speed' then value end) as engine_speed_rpm,
        max(case when parameter = 'air_mass_per_stroke' then value end) as air_mg,
        max(case when parameter = 'air_mass_flow' then value end) as air_g_s,
        max(case when parameter = 'manifold_pressure' then value end) as manifold_kpa,
        max(case when parameter = 'boost_gauge' then value end) as boost_kpa,
        max(case when parameter = 'barometric_pressure' then value end) as barometer_kpa,
        max(case when parameter = 'charge_air_temp' then value end) as charge_air_c,
        max(case when parameter = 'intake_air_temp' then value end) as intake_air_c,
        max(case when parameter = 'ambient_air_temp' then value end) as ambient_c,
        max(case when parameter = 'egr_position' then value end) as valve_position_pct,
        max(case when parameter = 'egr_command' then value end) as valve_command_pct,
        max(case when parameter = 'rail_pressure' then value end) as rail_mpa,
        max(case when parameter = 'rail_pressure_target' then value end) as rail_target_mpa,
        max(case when parameter = 'injection_quantity' then value end) as fuel_mg,
        max(case when parameter = 'fuel_rate' then value end) as fuel_l_h,
        max(case when parameter = 'stft_b1' then value end) as trim_short_pct,
        max(case when parameter = 'ltft_b1' then value end) as trim_long_pct,
        max(case when parameter = 'battery_rest_voltage' then value end) as rest_v,
        max(case when parameter = 'cranking_voltage_min' then value end) as cranking_v,
        count(case when parameter like 'cyl_balance__' then value end) as n_cylinders_read,
        avg(case when parameter like 'cyl_balance__' then value end) as balance_mean,
        max(case when parameter like 'cyl_balance__' then value end) as balance_most,
        min(case when parameter like 'cyl_balance__' then value end) as balance_least
    from scan_values
    where parameter in (
        'engine_speed', 'air_mass_per_stroke', 'air_mass_flow', 'manifold_pressure', 'boost_gauge',
        'barometric_pressure', 'charge_air_temp', 'intake_air_temp', 'ambient_air_temp', 'egr_position',
        'egr_command', 'rail_pressure', 'rail_pressure_target', 'injection_quantity', 'fuel_rate', 'stft_b1',
        'ltft_b1', 'battery_rest_voltage', 'cranking_voltage_min', 'cyl_balance_1', 'cyl_balance_2',
        'cyl_balance_3', 'cyl_balance_4', 'cyl_balance_5', 'cyl_balance_6'
    )
    group by scan_month, scan_key, state
),

currents as (
    select
        scan_month,
        scan_key,
        max(value) as quiescent_ma
    from scan_values
    where parameter = 'quiescent_current'
    group by scan_month, scan_key
),

on_vans as (
    select
        side_by_side.scan_month,
        side_by_side.scan_key,
        side_by_side.state,
        side_by_side.n_rows,
        side_by_side.engine_speed_rpm,
        side_by_side.barometer_kpa,
        side_by_side.intake_air_c,
        side_by_side.rail_mpa,
        side_by_side.rail_target_mpa,
        side_by_side.fuel_mg,
        side_by_side.fuel_l_h,
        side_by_side.trim_short_pct,
        side_by_side.trim_long_pct,
        side_by_side.rest_v,
        side_by_side.cranking_v,
        side_by_side.n_cylinders_read,
        side_by_side.balance_mean,
        side_by_side.balance_most,
        side_by_side.balance_least,
        coalesce(side_by_side.manifold_kpa, side_by_side.boost_kpa + side_by_side.barometer_kpa) as manifold_kpa,
        coalesce(side_by_side.charge_air_c, side_by_side.intake_air_c) as charge_c,
        coalesce(side_by_side.valve_position_pct, side_by_side.valve_command_pct) as valve_pct,
        coalesce(scans.ambient_c, side_by_side.ambient_c) as ambient_c,
        scans.van,
        cast(scans.scanned_at as date) as scanned_on,
        vans.depot,
        vans.altitude_m,
        vans.battery_ah,
        vans.displacement_l,
        vans.cylinders,
        coalesce(fuels.is_diesel, 0) as is_diesel,
        coalesce(fuels.is_petrol, 0) as is_petrol,
        currents.quiescent_ma,
        -- Per stroke as read, else from the flow: one cylinder fills every second turn.
        coalesce(
            side_by_side.air_mg,
            side_by_side.air_g_s * 120000.0 / nullif(vans.cylinders * side_by_side.engine_speed_rpm, 0)
        ) as air_mg
    from side_by_side
    inner join scans
        on side_by_side.scan_month = scans.scan_month and side_by_side.scan_key = scans.scan_key
    left join vans on scans.van = vans.van
    left join fuels on scans.van = fuels.van
    left join currents
        on side_by_side.scan_month = currents.scan_month and side_by_side.scan_key = currents.scan_key
),

-- The yard's own barometer: what other vans of the depot showed that day.
yards as (
    select
        own.scan_month,
        own.scan_key,
        own.state,
        median(others.barometer_kpa) as yard_kpa
    from on_vans as own
    inner join on_vans as others
        on own.scan_month = others.scan_month
        and own.depot = others.depot
        and own.scanned_on = others.scanned_on
        and own.state = others.state
        and own.van <> others.van
    where own.state in ('engine_off', 'warm_idle')
        and own.barometer_kpa is not null
        and others.barometer_kpa is not null
    group by own.scan_month, own.scan_key, own.state
    having count(distinct others.van) >= 2
),

charges as (
    select
        on_vans.scan_month,
        on_vans.scan_key,
        on_vans.state,
        battery_charges.from_pct + (battery_charges.to_pct - battery_charges.from_pct)
        * (on_vans.rest_v - battery_charges.from_v)
        / nullif(battery_charges.to_v - battery_charges.from_v, 0) as charge_pct
    from on_vans
    cross join physics
    inner join battery_charges
        on on_vans.rest_v > battery_charges.from_v and on_vans.rest_v <= battery_charges.to_v
    where coalesce(on_vans.ambient_c between physics.rest_voltage_from_c and physics.rest_voltage_to_c, true)
),

floors as (
    select
        on_vans.scan_month,
        on_vans.scan_key,
        on_vans.state,
        cranking_floors.from_v + (cranking_floors.to_v - cranking_floors.from_v)
        * (on_vans.ambient_c - cranking_floors.from_c)
        / nullif(cranking_floors.to_c - cranking_floors.from_c, 0) as floor_v
    from on_vans
    inner join cranking_floors
        on on_vans.ambient_c > cranking_floors.from_c and on_vans.ambient_c <= cranking_floors.to_c
    where on_vans.cranking_v is not null
),

filled as (
    select
        on_vans.*,
        yards.yard_kpa,
        charges.charge_pct,
        floors.floor_v,
        -- kg/m3 is g/L: the air one cylinder holds at manifold density (mg).
        on_vans.manifold_kpa * 1000.0
        / nullif(physics.gas_constant_air * (on_vans.charge_c + physics.zero_celsius_k), 0)
        * on_vans.displacement_l / nullif(on_vans.cylinders, 0) * 1000.0 as held_mg
    from on_vans
    cross join physics
    left join yards
        on on_vans.scan_month = yards.scan_month
        and on_vans.scan_key = yards.scan_key
        and on_vans.state = yards.state
    left join charges
        on on_vans.scan_month = charges.scan_month
        and on_vans.scan_key = charges.scan_key
        and on_vans.state = charges.state
    left join floors
        on on_vans.scan_month = floors.scan_month
        and on_vans.scan_key = floors.scan_key
        and on_vans.state = floors.state
),

shared as (
    select
        filled.*,
        physics.volumetric_efficiency,
        filled.air_mg / nullif(filled.held_mg, 0) as fill_index,
        case
            when filled.valve_pct is not null
                then 100.0 * (1.0 - filled.air_mg / nullif(filled.held_mg * physics.volumetric_efficiency, 0))
        end as recirculated_pct,
        filled.battery_ah * physics.state_of_health as charge_ah,
        case
            when filled.charge_pct > physics.charge_no_start
                then (filled.charge_pct - physics.charge_no_start) / 100.0
            when filled.charge_pct is not null then 0.0
        end as usable_share,
        coalesce(filled.quiescent_ma, physics.sleeping_current_ma) as sleeping_ma,
        coalesce(
            filled.fuel_mg,
            case
                when filled.is_petrol = 0
                    then filled.fuel_l_h * physics.fuel_density_kg_l * 1000000.0
                        / nullif(30.0 * filled.cylinders * filled.engine_speed_rpm, 0)
            end
        ) as fuel_stroke_mg
    from filled
    cross join physics
),

worked_out as (
    select
        shared.scan_month,
        shared.scan_key,
        worked_out_states.parameter,
        shared.state,
        shared.n_rows,
        case worked_out_states.parameter
            when 'air_mass_expected' then shared.held_mg * physics.volumetric_efficiency
            when 'air_flow_expected' then shared.held_mg * physics.volumetric_efficiency
                * shared.cylinders * shared.engine_speed_rpm / 120000.0
            when 'fill_index' then shared.fill_index
            when 'air_mass_standard' then shared.air_mg
                * physics.standard_pressure_kpa / nullif(shared.barometer_kpa, 0)
                * (shared.intake_air_c + physics.zero_celsius_k) / nullif(physics.standard_temperature_k, 0)
            when 'recirculated_share' then shared.recirculated_pct
            when 'recirculation_effort' then case
                when shared.recirculated_pct >= physics.recirculated_least_told
                    then shared.valve_pct / nullif(shared.recirculated_pct, 0)
            end
            when 'manifold_minus_barometer' then shared.manifold_kpa - shared.barometer_kpa
            when 'barometer_minus_standard' then case
                when shared.altitude_m between -500 and 9000
                    then shared.barometer_kpa - physics.standard_pressure_kpa
                        * power(1.0 - physics.standard_lapse * shared.altitude_m, physics.standard_exponent)
            end
            when 'barometer_minus_yard' then shared.barometer_kpa - shared.yard_kpa
            when 'rail_pressure_deviation' then shared.rail_mpa - shared.rail_target_mpa
            when 'rail_pressure_deviation_share' then case
                when shared.rail_target_mpa > 0
                    then 100.0 * (shared.rail_mpa - shared.rail_target_mpa) / nullif(shared.rail_target_mpa, 0)
            end
            when 'cyl_balance_spread' then case
                when shared.n_cylinders_read >= 3
                    then greatest(
                        shared.balance_most - shared.balance_mean, shared.balance_mean - shared.balance_least
                    )
            end
            when 'fuel_trim_sum' then case
                when shared.is_diesel = 0
                    then 100.0 * ((1.0 + shared.trim_short_pct / 100.0) * (1.0 + shared.trim_long_pct / 100.0) - 1.0)
            end
            when 'battery_charge' then shared.charge_pct
            when 'cranking_voltage_margin' then shared.cranking_v - shared.floor_v
            when 'days_to_flat' then shared.charge_ah * shared.usable_share / nullif(
                24.0 * shared.sleeping_ma / 1000.0
                + shared.charge_ah * physics.self_discharge_month / 30.0, 0
            )
            when 'days_to_flat_with_reader' then shared.charge_ah * shared.usable_share / nullif(
                24.0 * (shared.sleeping_ma + physics.reader_current_ma) / 1000.0
                + shared.charge_ah * physics.self_discharge_month / 30.0, 0
            )
            when 'lambda_from_masses' then shared.air_mg / nullif(
                shared.fuel_stroke_mg * case
                    when shared.is_petrol = 1 then physics.stoichiometric_petrol
                    else physics.stoichiometric_diesel
                end, 0
            )
        end as value
    from shared
    cross join physics
    inner join worked_out_states on shared.state = worked_out_states.state
),

-- A thermostat stuck open keeps the water below what counts as warm, so every kind of idle speaks here.
long_idles as (
    select
        scan_month,
        scan_key,
        max(case when parameter = 'coolant_temp' then value_max end) as value,
        max(case when parameter = 'run_time' then value_max end) as run_s,
        cast(sum(case when parameter = 'coolant_temp' then n_rows end) as bigint) as n_rows
    from scan_values
    where parameter in ('coolant_temp', 'run_time')
        and state in ('cold_idle', 'warming_idle', 'warm_idle', 'hot_idle')
    group by scan_month, scan_key
),

plateaus as (
    select
        long_idles.scan_month,
        long_idles.scan_key,
        'coolant_plateau' as parameter,
        'warm_idle' as state,
        long_idles.n_rows,
        long_idles.value
    from long_idles
    cross join physics
    where long_idles.run_s >= physics.plateau_run_s
),

together as (
    select
        scan_month,
        scan_key,
        parameter,
        state,
        n_rows,
        value
    from worked_out
    union all
    select
        scan_month,
        scan_key,
        parameter,
        state,
        n_rows,
        value
    from plateaus
),

believed as (
    select
        together.scan_key,
        together.parameter,
        together.state,
        together.value,
        together.n_rows,
        together.scan_month
    from together
    inner join parameters
        on together.parameter = parameters.parameter
        and together.value between parameters.plausible_low and parameters.plausible_high
    left join scan_values as shown
        on together.scan_month = shown.scan_month
        and together.scan_key = shown.scan_key
        and together.parameter = shown.parameter
        and together.state = shown.state
    where shown.scan_key is null
)

select * from believed
