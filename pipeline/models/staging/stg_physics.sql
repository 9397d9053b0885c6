-- The constants and priors of physics side by side, so that a model can join them once.
-- grain: one row
-- kind: table
-- column gas_constant_air: gas constant of dry air (J/(kg K))
-- column zero_celsius_k: 0 °C on the absolute scale (K)
-- column standard_pressure_kpa: pressure of the standard atmosphere at sea level (kPa)
-- column standard_temperature_k: temperature of the standard atmosphere at sea level (K)
-- column standard_lapse: lapse of the standard atmosphere, relative (1/m)
-- column standard_exponent: exponent of the standard atmosphere
-- column volumetric_efficiency: prior of the volumetric efficiency
-- column volumetric_efficiency_low: lower end of it
-- column volumetric_efficiency_high: upper end of it
-- column recirculated_usual: share of exhaust gas recirculated at warm idle, as usual
-- column recirculated_most: largest share taken for possible
-- column recirculated_least_told: least share for which the effort per share is told (%)
-- column plateau_run_s: run time after which coolant stands at its plateau (s)
-- column state_of_health: share of its rated charge that a used battery holds
-- column charge_no_start: charge at which the van no longer starts (%)
-- column self_discharge_month: share of charge a battery loses by itself (1/month)
-- column sleeping_current_ma: current of a van asleep, where not measured (mA)
-- column reader_current_ma: current of a reader left plugged in (mA)
-- column rest_voltage_from_c: lowest outside temperature at which rest voltage tells the charge (°C)
-- column rest_voltage_to_c: highest one (°C)
-- column stoichiometric_diesel: air that burns one part of diesel (kg/kg)
-- column stoichiometric_petrol: air that burns one part of petrol (kg/kg)
-- column fuel_density_kg_l: density of diesel (kg/L)
-- column still_rows: least rows of a scan and state for a spread (rows)
-- column still_gap_days: least time between two scans in which a reading should have moved (d)
-- column undecoded_vans: least vans on which a reader shows one value (vans)
-- column undecoded_scans: least scans of those vans (scans)
-- column undecoded_days: least time over which it does (d)
with physics as (
    select * from vocab.physics
),

wide as (
    select
        max(case when key = 'gas_constant_air' then value end) as gas_constant_air,
        max(case when key = 'zero_celsius_k' then value end) as zero_celsius_k,
        max(case when key = 'standard_pressure_kpa' then value end) as standard_pressure_kpa,
        max(case when key = 'standard_temperature_k' then value end) as standard_temperature_k,
        max(case when key = 'standard_lapse' then value end) as standard_lapse,
        max(case when key = 'standard_exponent' then value end) as standard_exponent,
        max(case when key = 'volumetric_efficiency' then value end) as volumetric_efficiency,
        max(case when key = 'volumetric_efficiency_low' then value end) as volumetric_efficiency_low,
        max(case when key = 'volumetric_efficiency_high' then value end) as volumetric_efficiency_high,
        max(case when key = 'recirculated_usual' then value end) as recirculated_usual,
        max(case when key = 'recirculated_most' then value end) as recirculated_most,
        max(case when key = 'recirculated_least_told' then value end) as recirculated_least_told,
        max(case when key = 'plateau_run_s' then value end) as plateau_run_s,
        max(case when key = 'state_of_health' then value end) as state_of_health,
        max(case when key = 'charge_no_start' then value end) as charge_no_start,
        max(case when key = 'self_discharge_month' then value end) as self_discharge_month,
        max(case when key = 'sleeping_current_ma' then value end) as sleeping_current_ma,
        max(case when key = 'reader_current_ma' then value end) as reader_current_ma,
        max(case when key = 'rest_voltage_from_c' then value end) as rest_voltage_from_c,
        max(case when key = 'rest_voltage_to_c' then value end) as rest_voltage_to_c,
        max(case when key = 'stoichiometric_diesel' then value end) as stoichiometric_diesel,
        max(case when key = 'stoichiometric_petrol' then value end) as stoichiometric_petrol,
        max(case when key = 'fuel_density_kg_l' then value end) as fuel_density_kg_l,
        max(case when key = 'still_rows' then value end) as still_rows,
        max(case when key = 'still_gap_days' then value end) as still_gap_days,
        max(case when key = 'undecoded_vans' then value end) as undecoded_vans,
        max(case when key = 'undecoded_scans' then value end) as undecoded_scans,
        max(case when key = 'undecoded_days' then value end) as undecoded_days
    from physics
)

select * from wide
