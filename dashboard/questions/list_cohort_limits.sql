-- One row per limit of a reader and group with a shown van in one reading: how many of the group stand outside it.
with

shown_cohorts as (
    select distinct cohort_id
    from vans
    where van in (select unnest(cast($vans as varchar[])))
),

limits as (
    select
        limit_shares.cohort_id,
        limit_shares.reader,
        limit_shares.source,
        limit_shares.low,
        limit_shares.high,
        limit_shares.n_vans,
        limit_shares.n_vans_outside,
        limit_shares.n_above,
        limit_shares.n_below
    from limit_shares
    inner join shown_cohorts on limit_shares.cohort_id = shown_cohorts.cohort_id
    where limit_shares.parameter = $parameter and limit_shares.state = $state
    order by limit_shares.n_vans_outside * 1.0 / limit_shares.n_vans desc, limit_shares.reader, limit_shares.low
)

select * from limits
