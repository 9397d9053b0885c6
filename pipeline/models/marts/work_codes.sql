-- What became of each code that stood on a van when work was done: ended, returned, still listed, or too early to say.
-- A piece of work that names a code is held against that code alone, any other against every code then standing.
-- grain: one row per piece of work x module x code that stood at the time
-- key: van, worked_at, what, part, work_code, module, code
-- kind: view
-- column worked_at: time of the work (UTC)
-- column what: what was done
-- column part: the part it was done on, without case, accents and punctuation; empty where none is named
-- column work_code: the code the work was done for; empty where none is named
-- column seen_at: last scan before the work that can tell, which showed the code (UTC)
-- column n_after: scans after the work that can tell
-- column n_present_after: of those, scans that showed the code
-- column n_absent_first: of those, scans without it before it was shown again
-- column returned_at: first scan after the work that showed it (UTC); null where none did
-- column was_cleared: it was cleared, or a scan missed it, between the work and that showing
-- column outcome: ended, returned, still_listed (never cleared on record) or too_early
with scan_answers as (
    select * from code_scans
),

work as (
    select * from stg_work
),

clears as (
    select * from int_clears
),

settings as (
    select * from stg_repair_settings
),

jobs as (
    select distinct
        work.van,
        work.at as worked_at,
        work.what,
        work.part_folded as part,
        work.code as work_code
    from work
    where work.what in ('replaced', 'repaired', 'adjusted', 'cleaned', 'relearned')
),

told as (
    select
        van,
        module,
        code,
        scanned_at,
        standing
    from scan_answers
    where is_counted
),

befores as (
    select
        jobs.van,
        jobs.worked_at,
        jobs.what,
        jobs.part,
        jobs.work_code,
        told.module,
        told.code,
        max(told.scanned_at) as told_at,
        max(case when told.standing = 'present' then told.scanned_at end) as seen_at
    from jobs
    inner join told on jobs.van = told.van and told.scanned_at <= jobs.worked_at
    where jobs.work_code = '' or jobs.work_code = told.code
    group by jobs.van, jobs.worked_at, jobs.what, jobs.part, jobs.work_code, told.module, told.code
),

-- Each piece of work with a code that stood then, numbered, so that what follows needs no long key.
standing as (
    select
        befores.*,
        row_number() over (
            order by van, worked_at, what, part, work_code, module, code
        ) as case_number
    from befores
    where seen_at = told_at
),

returns as (
    select
        standing.case_number,
        count(told.scanned_at) as n_after,
        count(case when told.standing = 'present' then 1 end) as n_present_after,
        min(case when told.standing = 'present' then told.scanned_at end) as returned_at
    from standing
    left join told
        on standing.van = told.van
        and standing.module = told.module
        and standing.code = told.code
        and told.scanned_at > standing.worked_at
    group by standing.case_number
),

absences as (
    select
        standing.case_number,
        count(*) as n_absent_first
    from standing
    inner join returns on standing.case_number = returns.case_number
    inner join told
        on standing.van = told.van
        and standing.module = told.module
        and standing.code = told.code
        and told.scanned_at > standing.worked_at
        and told.standing = 'absent'
    where returns.returned_at is null or told.scanned_at < returns.returned_at
    group by standing.case_number
),

cleared as (
    select distinct standing.case_number
    from standing
    inner join returns on standing.case_number = returns.case_number
    inner join clears
        on standing.van = clears.van
        and (clears.code = '' or clears.code = standing.code)
        and clears.cleared_at >= cast(cast(standing.worked_at as date) as timestamp)
        and (returns.returned_at is null or clears.cleared_at <= returns.returned_at)
),

joined as (
    select
        standing.van,
        standing.worked_at,
        standing.what,
        standing.part,
        standing.work_code,
        standing.module,
        standing.code,
        standing.seen_at,
        returns.n_after,
        returns.n_present_after,
        coalesce(absences.n_absent_first, 0) as n_absent_first,
        returns.returned_at,
        cleared.case_number is not null or coalesce(absences.n_absent_first, 0) > 0 as was_cleared
    from standing
    inner join returns on standing.case_number = returns.case_number
    left join absences on standing.case_number = absences.case_number
    left join cleared on standing.case_number = cleared.case_number
),

judged as (
    select
        joined.*,
        case
            when joined.returned_at is not null and joined.was_cleared then 'returned'
            when joined.returned_at is not null then 'still_listed'
            when joined.n_absent_first >= settings.scans_without_code then 'ended'
            else 'too_early'
        end as outcome
    from joined
    cross join settings
)

select * from judged
