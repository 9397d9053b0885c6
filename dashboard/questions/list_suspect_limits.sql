-- One row per limit of a reader that most vans of a group with a shown van stand outside of.
with

shown_cohorts as (
    select distinct
        cohort_id,
        cohort
    from vans
    where van in (select unnest(cast($vans as varchar[])))
),

suspect as (
    select
        limit_shares.reader,
        shown_cohorts.cohort,
        limit_shares.parameter,
        limit_shares.state,
        coalesce(parameters.name, limit_shares.parameter) as parameter_name,
        coalesce(states.name, limit_shares.state) as state_name,
        parameters.unit,
        parameters.resolution,
        parameters.smallest_useful,
        limit_shares.source,
        limit_shares.low,
        limit_shares.high,
        limit_shares.n_vans,
        limit_shares.n_vans_outside,
        limit_shares.n_scans
    from limit_shares
    inner join shown_cohorts on limit_shares.cohort_id = shown_cohorts.cohort_id
    left join parameters on limit_shares.parameter = parameters.parameter
    left join states on limit_shares.state = states.state
    where limit_shares.n_vans >= 3 and limit_shares.n_vans_outside > 0.7 * limit_shares.n_vans
    order by limit_shares.n_vans_outside desc, shown_cohorts.cohort, parameter_name
)

select * from suspect
