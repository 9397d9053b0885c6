-- One row per earlier piece of work that did not hold and whose van was scanned in the month, newest work first.
with

unheld as (
    select
        van,
        worked_at,
        what,
        part,
        count(*) as n_readings
    from repairs
    where verdict = 'not_held'
        and worked_at < cast($month_from as timestamp)
        and worked_at >= cast($month_from as timestamp) - to_days(366)
        and own_to >= cast($month_from as date)
        and (cast($vans as varchar[]) is null or van in (select unnest(cast($vans as varchar[]))))
    group by all
    order by worked_at desc, van
)

select * from unheld
