-- One row per month in which one van was followed in one reading: how far it stood from its siblings.
with

months as (
    select
        scan_month,
        difference,
        make_timestamp(epoch_us(timestamp '2000-01-01') + cast(86400000000 * day as bigint)) as at,
        n_scans
    from sibling_differences
    where van = $van and parameter = $parameter and state = $state
    order by scan_month
)

select * from months
