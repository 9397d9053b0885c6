-- Work after which a code that had stood on a van was gone for good, as far as later scans tell.
-- A code has ended where at least three later scans could tell and it was on none, and where missing it so often
-- had a chance of at most 1 in 20 had it still shown as often as before.
-- grain: one row per van x module x code x piece of work between its last and the next telling scan
-- key: van, module, code, at, what, part
-- kind: view
-- column at: time of the work (UTC)
-- column what: what was done
-- column part: the part it was done on
-- column last_seen: last scan that showed the code (UTC)
-- column absent_at: first scan without it (UTC)
-- column n_absent_since: scans without it since
with entries as (
    select * from van_codes
),

scan_answers as (
    select * from code_scans
),

work as (
    select * from stg_work
),

ended as (
    select
        van,
        module,
        code,
        n_absent_since
    from entries
    where n_absent_since >= 3 and chance_of_absence <= 0.05
),

spans as (
    select
        ended.van,
        ended.module,
        ended.code,
        ended.n_absent_since,
        max(case when scan_answers.standing = 'present' then scan_answers.scanned_at end) as last_seen
    from ended
    inner join scan_answers
        on ended.van = scan_answers.van and ended.module = scan_answers.module and ended.code = scan_answers.code
    where scan_answers.is_counted and scan_answers.is_in_window
    group by ended.van, ended.module, ended.code, ended.n_absent_since
),

gaps as (
    select
        spans.van,
        spans.module,
        spans.code,
        spans.n_absent_since,
        spans.last_seen,
        min(scan_answers.scanned_at) as absent_at
    from spans
    inner join scan_answers
        on spans.van = scan_answers.van
        and spans.module = scan_answers.module
        and spans.code = scan_answers.code
        and spans.last_seen < scan_answers.scanned_at
    where scan_answers.is_counted
    group by spans.van, spans.module, spans.code, spans.n_absent_since, spans.last_seen
),

joined as (
    select distinct
        gaps.van,
        gaps.module,
        gaps.code,
        work.at,
        work.what,
        work.part_folded as part,
        gaps.last_seen,
        gaps.absent_at,
        gaps.n_absent_since
    from gaps
    inner join work
        on gaps.van = work.van and work.at >= gaps.last_seen and work.at <= gaps.absent_at
    where work.code = '' or work.code = gaps.code
)

select * from joined
