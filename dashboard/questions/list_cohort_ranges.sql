-- One row per cohort: the middle of its vans' sibling ranges for this reading, and how many vans it rests on.
with

ranges as (
    select
        vans.cohort_id,
        any_value(vans.cohort) as cohort,
        count(*) as n_vans,
        sum(sibling_scores.n_scans) as n_scans,
        median(sibling_scores.sibling_median) as sibling_median,
        median(sibling_scores.sibling_low) as sibling_low,
        median(sibling_scores.sibling_high) as sibling_high,
        coalesce(bool_and(sibling_scores.is_fallback), false) as is_fallback,
        any_value(sibling_scores.reason) as reason
    from sibling_scores
    inner join vans on sibling_scores.van = vans.van
    where sibling_scores.parameter = $parameter
        and sibling_scores.state = $state
        and sibling_scores.channel = $channel
        and sibling_scores.value is not null
    group by vans.cohort_id
    order by cohort
)

select * from ranges
