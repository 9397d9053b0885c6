-- One row per month in which anything was scanned or done, newest first.
with

happened as (
    select date_trunc('month', scanned_at)::date as month_at from scans where scanned_at is not null
    union all
    select date_trunc('month', "at")::date as month_at from work where "at" is not null
),

months as (
    select
        month_at,
        count(*) as n_records
    from happened
    group by month_at
    order by month_at desc
)

select * from months
