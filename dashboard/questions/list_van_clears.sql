-- One row per time codes of one van were cleared.
with

cleared as (
    select distinct work."at" as cleared_at
    from work
    where work.van = $van
        and work.what = 'cleared'
        and work."at" is not null
    order by cleared_at
)

select * from cleared
