-- One row per month in which one van was followed in one reading: how far it stood from its siblings.
with

followed as (
    select
        van_no,
        cell_no
    from van_drifts
    where van = $van and parameter = $parameter and state = $state
),

months as (
    select
        sibling_differences.scan_month,
        sibling_differences.difference,
        make_timestamp(epoch_us(timestamp '2000-01-01') + cast(86400000000 * sibling_differences.day as bigint)) as at,
        sibling_differences.n_scans
    from sibling_differences
    inner join followed
        on sibling_differences.van_no = followed.van_no and sibling_differences.cell_no = followed.cell_no
    order by sibling_differences.scan_month
)

select * from months
