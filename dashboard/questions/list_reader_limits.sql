-- One row per limit a reader claims for this reading on this van's cohort, and how many vans stand outside it.
with

limits as (
    select
        limit_shares.reader,
        limit_shares.low,
        limit_shares.high,
        limit_shares.n_vans,
        limit_shares.n_vans_outside,
        limit_shares.n_scans
    from limit_shares
    inner join vans on limit_shares.cohort_id = vans.cohort_id
    where vans.van = $van
        and limit_shares.parameter = $parameter
        and limit_shares.state = $state
    order by limit_shares.reader, limit_shares.low
)

select * from limits
