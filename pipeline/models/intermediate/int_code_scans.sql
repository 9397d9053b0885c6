-- What each scan of a van says about each code the van has ever shown.
-- Four answers: present, absent (the module answered and the code was not there, or only healed), not_answered
-- (the module was asked in vain) and unknown (not asked, not said, not tested, or too soon after a clearing).
-- A run is a stretch of showing the code with neither an absent scan nor a clearing of it in between.
-- grain: one row per van x module x code x scan
-- key: module, code, scan_key
-- kind: table
-- column standing: present, absent, not_answered or unknown
-- column coverage: answered, silent, not_asked or unknown
-- column is_fresh: too soon after a clearing for absence to mean anything
-- column status: the strongest status shown; null where the code was not listed as a fault, now or earlier
-- column is_untested: the module lists the code only to say that its test has not been completed
-- column run_number: rises with each absent scan and each clearing of the code
-- column is_first_of_run: the first showing of its run
with codes as (
    select * from stg_codes
),

coverage as (
    select * from int_module_coverage
),

clears as (
    select * from int_clears
),

-- Failure types of one code are one entry here: readers differ in whether they show them.
ordered as (
    select
        codes.*,
        case codes.status
            when 'present' then 1
            when 'confirmed' then 2
            when 'permanent' then 3
            when 'stored' then 4
            when 'pending' then 5
            when 'healed' then 7
            when 'not_tested' then 8
            when 'no_fault' then 9
            else 6
        end as status_order
    from codes
),

shown as (
    select
        scan_key,
        van,
        module,
        code,
        case when min(status_order) < 8 then arg_min(status, status_order) end as status,
        min(status_order) = 8 as is_untested,
        min(structure) as structure,
        max(case when lamp then 1 when not lamp then 0 end) as lamp_lit,
        max(text) as text,
        min(first_seen_km) as first_seen_km
    from ordered
    group by scan_key, van, module, code
),

known_codes as (
    select distinct
        van,
        module,
        code
    from shown
    where status is not null
),

code_clears as (
    select
        known_codes.van,
        known_codes.module,
        known_codes.code,
        clears.cleared_at
    from known_codes
    inner join clears
        on known_codes.van = clears.van and (clears.code = '' or clears.code = known_codes.code)
),

rows_made as (
    select
        known_codes.van,
        known_codes.module,
        known_codes.code,
        coverage.scan_key,
        coverage.reader,
        coverage.scanned_at,
        coverage.coverage,
        coverage.is_fresh,
        coverage.is_in_window,
        coalesce(shown.is_untested, false) as is_untested,
        shown.status,
        shown.structure,
        shown.lamp_lit = 1 as lamp,
        shown.text,
        shown.first_seen_km,
        case
            when shown.status <> 'healed' then 'present'
            when coverage.coverage = 'silent' then 'not_answered'
            when shown.is_untested then 'unknown'
            when coverage.coverage = 'answered' and not coverage.is_fresh then 'absent'
            else 'unknown'
        end as standing
    from known_codes
    inner join coverage on known_codes.van = coverage.van and known_codes.module = coverage.module
    left join shown
        on coverage.scan_key = shown.scan_key
        and known_codes.module = shown.module
        and known_codes.code = shown.code
),

cleared_before as (
    select
        rows_made.scan_key,
        rows_made.module,
        rows_made.code,
        max(code_clears.cleared_at) as cleared_at
    from rows_made
    inner join code_clears
        on rows_made.van = code_clears.van
        and rows_made.module = code_clears.module
        and rows_made.code = code_clears.code
        and code_clears.cleared_at <= rows_made.scanned_at
    group by rows_made.scan_key, rows_made.module, rows_made.code
),

placed as (
    select
        rows_made.*,
        cleared_before.cleared_at,
        lag(cleared_before.cleared_at) over in_time as cleared_before_last
    from rows_made
    left join cleared_before
        on rows_made.scan_key = cleared_before.scan_key
        and rows_made.module = cleared_before.module
        and rows_made.code = cleared_before.code
    window in_time as (
        partition by rows_made.van, rows_made.module, rows_made.code
        order by rows_made.scanned_at, rows_made.scan_key
    )
),

numbered as (
    select
        placed.*,
        cast(sum(
            case
                when placed.standing = 'absent' then 1
                when placed.cleared_at is not null
                    and (placed.cleared_before_last is null or placed.cleared_at > placed.cleared_before_last) then 1
                else 0
            end
        ) over (
            partition by placed.van, placed.module, placed.code
            order by placed.scanned_at, placed.scan_key
            rows between unbounded preceding and current row
        ) as bigint) as run_number
    from placed
),

marked as (
    select
        van,
        module,
        code,
        scan_key,
        reader,
        scanned_at,
        coverage,
        is_fresh,
        is_in_window,
        is_untested,
        status,
        structure,
        lamp,
        text,
        first_seen_km,
        standing,
        run_number,
        standing = 'present' and sum(case when standing = 'present' then 1 else 0 end) over (
            partition by van, module, code, run_number
            order by scanned_at, scan_key
            rows between unbounded preceding and current row
        ) = 1 as is_first_of_run
    from numbered
)

select * from marked
