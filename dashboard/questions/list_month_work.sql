-- One row per piece of work in a month, oldest first, with what the scans since say of it.
with

judged as (
    select
        van,
        worked_at,
        what,
        coalesce(part, '') as part,
        count(*) filter (where verdict = 'held') as n_held,
        count(*) filter (where verdict = 'not_held') as n_not_held,
        count(*) filter (where verdict = 'no_effect') as n_no_effect,
        count(*) filter (where verdict = 'too_early') as n_too_early
    from repairs
    group by all
),

done as (
    select
        work."at" as happened_at,
        work.van,
        work.what,
        work.part,
        work.code,
        work.relearn,
        work.cost,
        coalesce(judged.n_held, 0) as n_held,
        coalesce(judged.n_not_held, 0) as n_not_held,
        coalesce(judged.n_no_effect, 0) as n_no_effect,
        coalesce(judged.n_too_early, 0) as n_too_early
    from work
    left join judged
        on work.van = judged.van
        and work."at" = judged.worked_at
        and work.what = judged.what
        and coalesce(work.part, '') = judged.part
    where work."at" >= cast($month_from as timestamp)
        and work."at" < cast($month_to as timestamp)
        and (cast($vans as varchar[]) is null or work.van in (select unnest(cast($vans as varchar[]))))
    order by work."at", work.van
)

select * from done
