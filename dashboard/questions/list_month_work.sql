-- One row per piece of work in a month, oldest first.
with

done as (
    select
        work."at" as happened_at,
        work.van,
        work.what,
        work.part,
        work.code,
        work.relearn,
        work.cost
    from work
    where work."at" >= cast($month_from as timestamp) and work."at" < cast($month_to as timestamp)
    order by work."at", work.van
)

select * from done
