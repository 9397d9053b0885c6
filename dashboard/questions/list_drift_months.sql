-- One row per month in which one van was followed in one reading: how far it stood from its siblings.
with

months as (
    select
        scan_month,
        avg(difference) as difference,
        make_timestamp(cast(avg(epoch_us(scanned_at)) as bigint)) as at,
        count(*) as n_scans
    from sibling_differences
    where van = $van and parameter = $parameter and state = $state
    group by scan_month
    order by scan_month
)

select * from months
