-- Records that contradict one another, for a person to settle; what they concern is left out of the comparison.
-- grain: one row per contradiction
-- kind: table
-- column conflict_kind: odometer_back, odometer_jump, reading_values, vin_shared, scan_values or state_declared
-- column other_scan_key: the scan it contradicts, where that is another one
-- column at: when (UTC)
-- column value: the one value (in unit)
-- column other_value: the other value (in unit)
-- column unit: unit of the two values
-- column detail: what contradicts what, in words
with scans as (
    select * from stg_scans
),

vans as (
    select * from stg_vans
),

odometers as (
    select * from int_odometers
),

scan_conflicts as (
    select * from int_scan_conflicts
),

reading_conflicts as (
    select * from stg_reading_conflicts
),

scan_values as (
    select * from int_scan_values
),

parameters as (
    select * from vocab.parameters
),

states as (
    select * from vocab.states
),

odd_odometers as (
    select
        odometers.*,
        odometers.place - row_number() over (
            partition by odometers.van, odometers.series_number, odometers.goes_back order by odometers.place
        ) as run
    from odometers
    where odometers.is_conflict
),

-- Odd scans in a row are one matter: told once, at the first of them.
odometer_runs as (
    select
        van,
        goes_back,
        count(*) as n_in_run,
        arg_min(scan_key, place) as scan_key,
        arg_min(other_scan_key, place) as other_scan_key,
        min(scanned_at) as scanned_at,
        arg_min(odometer_km, place) as odometer_km,
        arg_min(other_km, place) as other_km,
        max(case when is_doubtful and not is_odd then 1 else 0 end) = 1 as is_doubtful
    from odd_odometers
    group by van, series_number, goes_back, run
),

from_odometers as (
    select
        case when goes_back then 'odometer_back' else 'odometer_jump' end as conflict_kind,
        van,
        scan_key,
        other_scan_key,
        'odometer' as parameter,
        cast(null as varchar) as state,
        scanned_at as happened_at,
        odometer_km as value,
        other_km as other_value,
        'km' as unit,
        concat(
            'The odometer reads ', cast(cast(round(odometer_km) as bigint) as varchar), ' km here and ',
            cast(cast(round(other_km) as bigint) as varchar), ' km at the other scan',
            case
                when goes_back then ', so it would have run backwards'
                else ', more than a van drives in that time'
            end,
            case when is_doubtful then '; which of the two is wrong cannot be told' else '' end,
            case
                when n_in_run > 1 then concat('; ', cast(n_in_run as varchar), ' scans in a row are at odds')
                else ''
            end
        ) as detail
    from odometer_runs
),

from_readings as (
    select
        'reading_values' as conflict_kind,
        scans.van,
        reading_conflicts.scan_key,
        cast(null as varchar) as other_scan_key,
        reading_conflicts.parameter,
        nullif(reading_conflicts.state_when_untimed, '') as state,
        coalesce(reading_conflicts.read_at, scans.scanned_at) as happened_at,
        reading_conflicts.value,
        reading_conflicts.other_value,
        parameters.unit,
        concat(
            'Two files give different values for one reading: ', reading_conflicts.given, ' and ',
            reading_conflicts.other_given
        ) as detail
    from reading_conflicts
    inner join scans
        on reading_conflicts.scan_month = scans.scan_month and reading_conflicts.scan_key = scans.scan_key
    left join parameters on reading_conflicts.parameter = parameters.parameter
),

from_scans as (
    select
        'scan_values' as conflict_kind,
        scans.van,
        scan_conflicts.scan_key,
        cast(null as varchar) as other_scan_key,
        case scan_conflicts.field
            when 'odometer_km' then 'odometer'
            when 'ambient_c' then 'ambient_air_temp'
            when 'rest_v' then 'battery_rest_voltage'
        end as parameter,
        cast(null as varchar) as state,
        scans.scanned_at as happened_at,
        scan_conflicts.value,
        scan_conflicts.other_value,
        case scan_conflicts.field
            when 'odometer_km' then 'km'
            when 'ambient_c' then '°C'
            when 'rest_v' then 'V'
            when 'standing_days' then 'd'
        end as unit,
        concat(
            'Files disagree on ', scan_conflicts.field, ' of this scan: ',
            coalesce(scan_conflicts.given, cast(scan_conflicts.value as varchar)), ' and ',
            coalesce(scan_conflicts.other_given, cast(scan_conflicts.other_value as varchar))
        ) as detail
    from scan_conflicts
    inner join scans on scan_conflicts.scan_key = scans.scan_key
),

shared_vins as (
    select
        upper(trim(vin)) as vin,
        count(*) as n_vans,
        min(van) as first_van,
        max(van) as last_van
    from vans
    where trim(vin) <> ''
    group by upper(trim(vin))
    having count(*) > 1
),

from_vins as (
    select
        'vin_shared' as conflict_kind,
        vans.van,
        cast(null as varchar) as scan_key,
        cast(null as varchar) as other_scan_key,
        cast(null as varchar) as parameter,
        cast(null as varchar) as state,
        cast(null as timestamp) as happened_at,
        cast(null as double) as value,
        cast(null as double) as other_value,
        cast(null as varchar) as unit,
        concat(
            'The register gives chassis number ', shared_vins.vin, ' also to van ',
            case when vans.van = shared_vins.first_van then shared_vins.last_van else shared_vins.first_van end,
            case
                when shared_vins.n_vans > 2
                    then concat(' and ', cast(shared_vins.n_vans - 2 as varchar), ' more')
                else ''
            end
        ) as detail
    from vans
    inner join shared_vins on upper(trim(vans.vin)) = shared_vins.vin
),

contradicted_states as (
    select
        scan_month,
        scan_key,
        state,
        max(state_instead) as state_instead,
        cast(sum(n_rows) as bigint) as n_rows,
        cast(sum(n_contradicted_rows) as bigint) as n_contradicted_rows
    from scan_values
    group by scan_month, scan_key, state
    having sum(n_contradicted_rows) > 0
),

from_states as (
    select
        'state_declared' as conflict_kind,
        scans.van,
        contradicted_states.scan_key,
        cast(null as varchar) as other_scan_key,
        cast(null as varchar) as parameter,
        contradicted_states.state,
        scans.scanned_at as happened_at,
        cast(null as double) as value,
        cast(null as double) as other_value,
        cast(null as varchar) as unit,
        concat(
            'Declared as ', declared.name, ', but in ',
            cast(contradicted_states.n_contradicted_rows as varchar), ' of ',
            cast(contradicted_states.n_rows as varchar), ' rows the signals rule that out (',
            instead.name, '); the declared state is kept'
        ) as detail
    from contradicted_states
    inner join scans
        on contradicted_states.scan_month = scans.scan_month
        and contradicted_states.scan_key = scans.scan_key
    inner join states as declared on contradicted_states.state = declared.state
    inner join states as instead on contradicted_states.state_instead = instead.state
),

together as (
    select * from from_odometers
    union all
    select * from from_readings
    union all
    select * from from_scans
    union all
    select * from from_vins
    union all
    select * from from_states
),

renamed as (
    select
        conflict_kind,
        van,
        scan_key,
        other_scan_key,
        parameter,
        state,
        happened_at as "at",
        value,
        other_value,
        unit,
        detail
    from together
)

select * from renamed
