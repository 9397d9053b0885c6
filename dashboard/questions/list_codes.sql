-- One row per code that any shown van has shown, over the shown vans: how many have it, how many could be asked.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

entries as (
    select
        van_codes.module,
        van_codes.code,
        max(van_codes.title) as title,
        min(van_codes.structure) as structure,
        count(*) as n_vans_ever,
        bool_or(van_codes.had_lamp) as had_lamp,
        cast(sum(van_codes.n_low_voltage) as bigint) as n_low_voltage,
        max(van_codes.last_seen) as last_seen
    from van_codes
    inner join shown on van_codes.van = shown.van
    group by van_codes.module, van_codes.code
),

counts as (
    select
        code_vans.module,
        code_vans.code,
        count(*) filter (where code_vans.standing <> 'unknown') as n_vans,
        count(*) filter (where code_vans.standing = 'with') as n_vans_with,
        count(*) filter (where code_vans.standing = 'unknown') as n_vans_unknown
    from code_vans
    inner join shown on code_vans.van = shown.van
    group by code_vans.module, code_vans.code
),

matters as (
    select
        coalesce(module, '') as module,
        code,
        count(*) filter (where tier = 'finding') as n_findings,
        count(*) filter (where tier = 'likely') as n_likely
    from findings
    where code is not null and (van is null or van in (select van from shown))
    group by coalesce(module, ''), code
),

joined as (
    select
        entries.module,
        entries.code,
        entries.title,
        entries.structure,
        entries.n_vans_ever,
        coalesce(counts.n_vans, 0) as n_vans,
        coalesce(counts.n_vans_with, 0) as n_vans_with,
        coalesce(counts.n_vans_unknown, 0) as n_vans_unknown,
        entries.had_lamp,
        entries.n_low_voltage,
        entries.last_seen,
        coalesce(matters.n_findings, 0) as n_findings,
        coalesce(matters.n_likely, 0) as n_likely
    from entries
    left join counts on entries.module = counts.module and entries.code = counts.code
    left join matters on entries.module = matters.module and entries.code = matters.code
    order by n_findings desc, n_likely desc, n_vans_with desc, n_vans_ever desc, entries.code, entries.module
)

select * from joined
