-- Whether and when a code came back after it was first cleared on a van: between which scans, or not up to the last.
-- Only the first clearing after the code was seen counts, so that one van does not speak several times.
-- grain: one row per van x module x code
-- key: van, module, code
-- kind: table
-- column cleared_at: the first clearing after the code had been seen (UTC)
-- column has_returned: it was shown again
-- column days_low: days to the last scan that answered without it
-- column days_high: days to the first scan that showed it again; null where it stayed away
-- column days: middle of both, else days watched without it
-- column km_low: distance to the last scan that answered without it (km)
-- column km_high: distance to the first scan that showed it again (km)
-- column km: middle of both, else distance watched without it (km); null where an odometer is missing
-- column n_scans: scans that answered after the clearing, up to the return
with scan_answers as (
    select * from code_scans
),

listed as (
    select * from int_code_scans
),

clears as (
    select * from int_clears
),

odometers as (
    select * from int_odometers
),

vans as (
    select * from stg_vans
),

first_showings as (
    select
        van,
        module,
        code,
        min(scanned_at) as first_at
    from scan_answers
    where standing = 'present' and not is_low_voltage
    group by van, module, code
),

clear_moments as (
    select
        van,
        cleared_at,
        max(odometer_km) as odometer_km
    from clears
    group by van, cleared_at
),

first_times as (
    select
        first_showings.van,
        first_showings.module,
        first_showings.code,
        min(clears.cleared_at) as cleared_at
    from first_showings
    inner join clears
        on first_showings.van = clears.van
        and (clears.code = '' or clears.code = first_showings.code)
        and clears.cleared_at > first_showings.first_at
    group by first_showings.van, first_showings.module, first_showings.code
),

first_clears as (
    select
        first_times.van,
        first_times.module,
        first_times.code,
        first_times.cleared_at,
        clear_moments.odometer_km as clear_km
    from first_times
    inner join clear_moments
        on first_times.van = clear_moments.van and first_times.cleared_at = clear_moments.cleared_at
),

-- A scan right after the clearing does count here: the code had not come back by then.
answers as (
    select
        first_clears.van,
        first_clears.module,
        first_clears.code,
        first_clears.cleared_at,
        first_clears.clear_km,
        listed.scanned_at,
        listed.standing = 'present' as is_present,
        case when not odometers.is_odd and not odometers.is_doubtful then odometers.odometer_km end as odometer_km
    from first_clears
    inner join listed
        on first_clears.van = listed.van
        and first_clears.module = listed.module
        and first_clears.code = listed.code
        and first_clears.cleared_at < listed.scanned_at
    inner join scan_answers
        on listed.scan_key = scan_answers.scan_key
        and listed.module = scan_answers.module
        and listed.code = scan_answers.code
    left join odometers on listed.scan_key = odometers.scan_key
    where listed.coverage = 'answered' and not scan_answers.is_low_voltage
),

returns as (
    select
        van,
        module,
        code,
        min(case when is_present then scanned_at end) as returned_at
    from answers
    group by van, module, code
),

watched as (
    select
        answers.van,
        answers.module,
        answers.code,
        answers.cleared_at,
        answers.clear_km,
        returns.returned_at,
        max(case when not answers.is_present then answers.scanned_at end) as absent_at,
        arg_max(answers.odometer_km, answers.scanned_at) 
            filter (where not answers.is_present and answers.odometer_km is not null) as absent_km,
        max(case when answers.is_present then answers.odometer_km end) as returned_km,
        count(*) as n_scans
    from answers
    inner join returns
        on answers.van = returns.van and answers.module = returns.module and answers.code = returns.code
    where returns.returned_at is null or answers.scanned_at <= returns.returned_at
    group by
        answers.van, answers.module, answers.code, answers.cleared_at, answers.clear_km, returns.returned_at
),

measured as (
    select
        van,
        module,
        code,
        cleared_at,
        returned_at is not null as has_returned,
        case
            when absent_at is null then 0
            else date_diff('day', cast(cleared_at as date), cast(absent_at as date))
        end as days_low,
        date_diff('day', cast(cleared_at as date), cast(returned_at as date)) as days_high,
        case
            when absent_at is null then 0.0
            when absent_km >= clear_km then absent_km - clear_km
        end as km_low,
        case when returned_at is not null and returned_km >= clear_km then returned_km - clear_km end as km_high,
        n_scans
    from watched
),

middles as (
    select
        measured.van,
        vans.cohort_id,
        measured.module,
        measured.code,
        measured.cleared_at,
        measured.has_returned,
        measured.days_low,
        measured.days_high,
        (measured.days_low + coalesce(measured.days_high, measured.days_low)) / 2.0 as days,
        measured.km_low,
        measured.km_high,
        case
            when measured.has_returned then (measured.km_low + measured.km_high) / 2.0
            else measured.km_low
        end as km,
        measured.n_scans
    from measured
    left join vans on measured.van = vans.van
)

select * from middles
