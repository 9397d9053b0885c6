-- One row: how much was read in a month of `$vans` (null: of all), and what the work in it cost where that is on record.
with

month_scans as (
    select
        count(*) as n_scans,
        count(distinct van) as n_vans
    from scans
    where scanned_at >= cast($month_from as timestamp)
        and scanned_at < cast($month_to as timestamp)
        and (cast($vans as varchar[]) is null or van in (select unnest(cast($vans as varchar[]))))
),

month_work as (
    select
        count(*) as n_work,
        count(cost) as n_costed,
        sum(cost) as cost,
        count(days_standing) as n_standing,
        sum(days_standing) as days_standing
    from work
    where work."at" >= cast($month_from as timestamp)
        and work."at" < cast($month_to as timestamp)
        and (cast($vans as varchar[]) is null or van in (select unnest(cast($vans as varchar[]))))
),

joined as (
    select *
    from month_scans
    cross join month_work
)

select * from joined
