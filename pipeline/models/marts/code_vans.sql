-- Which vans of a cohort have a code that any of them shows: judged by each van's newest scans that can tell.
-- A van has it where one of its last recent_scans such scans shows it, so that all vans have the same chance.
-- grain: one row per cohort x module x code x van
-- key: van, module, code
-- kind: table
-- column standing: with, without, or unknown where no scan of the last level_days can tell
-- column n_scans: newest scans that can tell, recent_scans at most
-- column n_present: of those, scans that show it
-- column first_at: oldest of these scans (UTC)
-- column last_at: newest of these scans (UTC)
with scan_answers as (
    select * from code_scans
),

coverage as (
    select * from int_module_coverage
),

vans as (
    select * from stg_vans
),

fleet as (
    select * from int_fleet
),

rules as (
    select * from stg_code_settings
),

cohort_codes as (
    select distinct
        vans.cohort_id,
        scan_answers.module,
        scan_answers.code
    from scan_answers
    inner join vans on scan_answers.van = vans.van
    where scan_answers.standing = 'present' and not scan_answers.is_low_voltage and scan_answers.is_in_window
),

candidates as (
    select
        cohort_codes.cohort_id,
        cohort_codes.module,
        cohort_codes.code,
        vans.van,
        coalesce(vans.out_of_service > cast(fleet.data_to as date), true) as is_in_service
    from cohort_codes
    inner join vans on cohort_codes.cohort_id = vans.cohort_id
    cross join fleet
),

-- A van that never showed the code has no row in scan_answers: there its module's answers say so.
telling as (
    select
        candidates.van,
        candidates.module,
        candidates.code,
        coverage.scan_key,
        coverage.scanned_at,
        coalesce(scan_answers.standing = 'present', false) as is_present
    from candidates
    inner join coverage on candidates.van = coverage.van and candidates.module = coverage.module
    left join scan_answers
        on coverage.scan_key = scan_answers.scan_key
        and candidates.module = scan_answers.module
        and candidates.code = scan_answers.code
    where coverage.is_in_window
        and coalesce(scan_answers.is_counted, coverage.coverage = 'answered' and not coverage.is_fresh)
),

newest as (
    select
        telling.*,
        row_number() over (
            partition by telling.van, telling.module, telling.code
            order by telling.scanned_at desc, telling.scan_key desc
        ) as place
    from telling
),

counted as (
    select
        newest.van,
        newest.module,
        newest.code,
        count(*) as n_scans,
        count(case when newest.is_present then 1 end) as n_present,
        min(newest.scanned_at) as first_at,
        max(newest.scanned_at) as last_at
    from newest
    cross join rules
    where newest.place <= rules.recent_scans
    group by newest.van, newest.module, newest.code
),

judged as (
    select
        candidates.cohort_id,
        candidates.module,
        candidates.code,
        candidates.van,
        case
            when counted.n_present > 0 then 'with'
            when counted.n_scans > 0 then 'without'
            else 'unknown'
        end as standing,
        coalesce(counted.n_scans, 0) as n_scans,
        coalesce(counted.n_present, 0) as n_present,
        counted.first_at,
        counted.last_at
    from candidates
    left join counted
        on candidates.van = counted.van
        and candidates.module = counted.module
        and candidates.code = counted.code
    where counted.n_scans is not null or candidates.is_in_service
)

select * from judged
