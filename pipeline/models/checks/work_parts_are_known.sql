-- Work was done on a part that the vocabulary does not know, so no reading starts afresh after it.
-- severity: warn
-- remedy: If it bears on a reading, use a part name from the vocabulary.
with work as (
    select * from stg_work
),

parts as (
    select * from vocab.parts
),

unknown as (
    select
        work.part_folded,
        count(distinct work.van) as n_vans
    from work
    left join parts
        on strpos(concat(' ', work.part_folded, ' '), concat(' ', parts.part_folded, ' ')) > 0
    where work.what in ('replaced', 'repaired', 'adjusted', 'relearned')
        and work.part_folded <> ''
        and parts.part_folded is null
    group by work.part_folded
)

select * from unknown
