-- One row per work entry or note of one van, newest first.
with

worked as (
    select
        work."at" as happened_at,
        'work' as kind,
        concat_ws(' ', work.what, work.part, work.code) as what,
        work.relearn,
        work.note,
        cast(null as varchar) as who
    from work
    where work.van = $van
),

noted as (
    select
        notes."at" as happened_at,
        'note' as kind,
        notes.text as what,
        cast(null as varchar) as relearn,
        cast(null as varchar) as note,
        notes.who
    from notes
    where notes.van = $van
),

events as (
    select * from worked
    union all
    select * from noted
    order by happened_at desc nulls last, what
)

select * from events
