-- One row per shown van whose group has the code, or that ever showed it: has it, has it not, or nobody knows.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

judged as (
    select
        code_vans.van,
        code_vans.standing,
        code_vans.n_scans,
        code_vans.n_present,
        code_vans.last_at
    from code_vans
    where code_vans.module = $module and code_vans.code = $code
),

entries as (
    select *
    from van_codes
    where module = $module and code = $code
),

joined as (
    select
        vans.van,
        vans.cohort_id,
        vans.cohort,
        coalesce(judged.standing, 'unknown') as standing,
        coalesce(judged.n_scans, 0) as n_scans,
        coalesce(judged.n_present, 0) as n_present,
        judged.last_at,
        entries.first_seen,
        entries.last_seen,
        entries.n_later_covered,
        entries.n_later_present,
        entries.share,
        entries.share_low,
        entries.share_high,
        entries.n_cannot_tell,
        entries.n_clears,
        entries.n_clears_survived,
        entries.n_low_voltage,
        entries.last_status,
        entries.had_lamp,
        entries.n_readers,
        entries.first_seen is not null as has_shown
    from vans
    inner join shown on vans.van = shown.van
    left join judged on vans.van = judged.van
    left join entries on vans.van = entries.van
    where judged.van is not null or entries.van is not null
    order by entries.share_low desc nulls last, judged.n_present desc nulls last, vans.van
)

select * from joined
