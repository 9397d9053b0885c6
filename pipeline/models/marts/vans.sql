-- The vans of the fleet: those in the register, and those that only scans tell of.
-- grain: one row per van
-- key: van
-- kind: table
-- column vin: chassis number as given
-- column vin_status: ok, bad_check_digit or bad_form; null where no chassis number was given
-- column cohort: the cohort's name for people
-- column family: the family's name for people
-- column age_years: age at the end of the data (years), from the day in service, else from the middle of the model year
-- column odometer_km: newest reading that agrees with the van's other scans (km)
-- column n_scans: scans of the van
-- column first_scan_at: time of the first scan (UTC)
-- column last_scan_at: time of the last scan (UTC)
with register as (
    select * from stg_vans
),

scans as (
    select * from stg_scans
),

odometers as (
    select * from int_odometers
),

fleet as (
    select * from int_fleet
),

scan_counts as (
    select
        van,
        count(*) as n_scans,
        min(scanned_at) as first_scan_at,
        max(scanned_at) as last_scan_at
    from scans
    group by van
),

newest_odometers as (
    select
        van,
        odometer_km
    from odometers
    where not is_odd and not is_doubtful
    qualify row_number() over (partition by van order by series_number desc, scanned_at desc, odometer_km desc) = 1
),

everyone as (
    select van from register
    union
    select van from scan_counts
),

joined as (
    select
        everyone.van,
        register.vin,
        register.vin_status,
        register.make,
        register.model,
        register.model_year,
        register.engine,
        register.cohort_id,
        register.cohort,
        register.family_id,
        register.family,
        register.fuel,
        register.displacement_l,
        register.depot,
        register.in_service,
        register.out_of_service,
        date_diff(
            'day',
            cast(coalesce(
                register.in_service,
                case
                    when register.model_year between 1900 and 2200
                        then cast(concat(cast(register.model_year as varchar), '-07-01') as date)
                end
            ) as date),
            cast(fleet.data_to as date)
        ) / 365.25 as age_years,
        newest_odometers.odometer_km,
        coalesce(scan_counts.n_scans, 0) as n_scans,
        scan_counts.first_scan_at,
        scan_counts.last_scan_at
    from everyone
    left join register on everyone.van = register.van
    left join scan_counts on everyone.van = scan_counts.van
    left join newest_odometers on everyone.van = newest_odometers.van
    cross join fleet
)

select * from joined
