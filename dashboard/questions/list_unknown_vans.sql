-- One row per name in scans, work or notes that is no van of the register, the most used first.
with

known as (
    select van from vans where cohort_id is not null
),

entries as (
    select van from work
    union all
    select van from notes
),

named as (
    select van, n_scans, 0 as n_entries from vans where cohort_id is null and n_scans > 0
    union all
    select entries.van, 0, 1 from entries left join known on entries.van = known.van where known.van is null
),

strangers as (
    select
        van,
        sum(n_scans) as n_scans,
        sum(n_entries) as n_entries
    from named
    group by van
    order by n_scans desc, n_entries desc, van
)

select * from strangers
