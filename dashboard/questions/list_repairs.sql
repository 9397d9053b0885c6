-- One row per piece of work on the shown vans that should change something, newest first, with its strongest verdict.
with

wanted as (
    select
        work.van,
        work."at" as worked_at,
        work.what,
        work.part,
        max(work.code) as code,
        max(work.relearn) as relearn,
        max(work.note) as note,
        max(work.cost) as cost,
        max(work.days_standing) as days_standing
    from work
    where list_contains($vans, work.van)
        and work.what in ('replaced', 'repaired', 'adjusted', 'cleaned', 'relearned')
    group by all
),

strongest as (
    select
        repairs.*,
        count(*) over (
            partition by repairs.van, repairs.worked_at, repairs.what, coalesce(repairs.part, '')
        ) as n_readings
    from repairs
),

outcomes as (
    select
        van,
        worked_at,
        what,
        count(case when outcome = 'returned' then 1 end) as n_returned,
        count(case when outcome = 'ended' then 1 end) as n_ended
    from work_codes
    where work_code <> ''
    group by all
),

told as (
    select
        wanted.*,
        case
            when coalesce(outcomes.n_returned, 0) > 0 and coalesce(strongest.verdict, '') <> 'not_held' then 'not_held'
            when strongest.verdict is not null then strongest.verdict
            when coalesce(outcomes.n_ended, 0) > 0 then 'held'
            else 'no_reading'
        end as verdict,
        strongest.verdict is null or (coalesce(outcomes.n_returned, 0) > 0 and strongest.verdict <> 'not_held')
            as is_by_code,
        strongest.parameter,
        strongest.state,
        coalesce(strongest.n_readings, 0) as n_readings,
        strongest.n_after,
        strongest.n_needed,
        coalesce(outcomes.n_returned, 0) as n_returned,
        coalesce(outcomes.n_ended, 0) as n_ended
    from wanted
    left join strongest
        on wanted.van = strongest.van
        and wanted.worked_at = strongest.worked_at
        and wanted.what = strongest.what
        and coalesce(wanted.part, '') = coalesce(strongest.part, '')
        and strongest.strength_rank = 1
    left join outcomes
        on wanted.van = outcomes.van and wanted.worked_at = outcomes.worked_at and wanted.what = outcomes.what
)

select * from told
order by worked_at desc, van, what, part
